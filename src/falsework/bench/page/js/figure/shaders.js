// Programs of the figures. Pass one draws tone, form and identity with depth; pass two inks the edges where
// form or depth jump, in the manner of the written work order's pictures.

export const SOLID_VERTEX = `
  precision highp float; precision highp int;
  in vec3 position;
  #ifdef TAGGED
  in uint tag;
  #endif
  uniform mat3 turn; uniform vec3 shift;
  uniform mat3 looked; uniform vec3 middle; uniform vec4 fit; uniform float deep;
  out vec3 world, seen; flat out int label; flat out int face;
  void main() {
    world = turn * position + shift;
    seen = looked * (world - middle);
    #ifdef TAGGED
    label = int(tag);
    #else
    label = 0;
    #endif
    face = gl_VertexID / 3;
    gl_Position = vec4(seen.xy * fit.xy + fit.zw, -seen.z / deep, 1.0);
  }`;

// kinds: 0 part, 1 support, 2 bed, 3 patch that lies on the part (an underside)
export const SOLID_FRAGMENT = `
  precision highp float; precision highp int; precision highp usampler2D;
  in vec3 world, seen; flat in int label; flat in int face;
  uniform int kind, glass, tinted, faced, hot, chosen, limited;
  uniform float cut, pastLimit, bedBand;
  uniform vec4 section; // what lies beyond it is away: a way, and how far along it
  uniform vec3 plain, accent, showTone, avoidTone;
  uniform sampler2D looks; uniform usampler2D marks;
  layout(location = 0) out vec4 tone; layout(location = 1) out vec4 form; layout(location = 2) out vec4 ident;

  vec4 named(int id) {
    return vec4(float(id & 255), float((id >> 8) & 255), float((id >> 16) & 255), float(kind + 1)) / 255.0;
  }
  vec3 inkOn(vec3 c) { return dot(c, vec3(0.2126, 0.7152, 0.0722)) < 0.45 ? c * 0.5 + 0.5 : c * 0.6; }
  bool hatched(int code, ivec2 p) {
    bool slash = (p.x + p.y) % 14 < 2, back = abs(p.x - p.y) % 14 < 2;
    return code == 1 ? p.x % 14 < 2 : code == 2 ? slash : code == 3 ? slash || back : false;
  }
  void main() {
    ivec2 p = ivec2(gl_FragCoord.xy);
    if (world.z > cut) discard;
    if (kind != 2 && dot(world, section.xyz) > section.w) discard;
    if (glass == 1 && kind == 0 && (p.x + p.y * 2) % 4 != 0) discard;
    vec3 normal = normalize(cross(dFdx(seen), dFdy(seen)));
    vec3 flatWay = normalize(cross(dFdx(world), dFdy(world)));
    vec3 colour = plain;
    ident = named(faced == 1 ? face + 1 : label);
    if (tinted == 1 && label > 0 && texelFetch(looks, ivec2(label - 1, 0), 0).a * 255.0 > 8.5) discard; // taken off
    if (!gl_FrontFacing) {
      if (kind >= 2) discard;
      colour *= (p.x + p.y) % 10 < 2 ? 0.55 : 0.78; // the inside, laid open by the cut
      tone = vec4(colour, 1.0); form = vec4(0.5, 0.5, 1.0, 0.02);
      return;
    }
    float group = kind == 2 ? 0.9 : kind == 1 ? 0.3 : 0.4;
    if (limited == 1 && kind == 0 && flatWay.z < pastLimit && world.z > bedBand) {
      if (hatched(2, p)) colour = inkOn(plain); // ink alone: the colours are for droop and supports
      group = 0.62;
    }
    if (tinted == 1 && label > 0) {
      vec4 mine = texelFetch(looks, ivec2(label - 1, 0), 0);
      vec3 ink = texelFetch(looks, ivec2(label - 1, 1), 0).rgb;
      colour = hatched(int(mine.a * 255.0 + 0.5), p) ? ink : mine.rgb;
      group = kind == 1 ? fract(float(label) * 0.137) * 0.2 + 0.2 : fract(float(label) * 0.137) * 0.4 + 0.5;
    }
    if (faced == 1) {
      uint mark = texelFetch(marks, ivec2(face % 4096, face / 4096), 0).r;
      if ((mark & 1u) > 0u) { colour = (p.x % 8 < 3 && p.y % 8 < 3) ? inkOn(showTone) : showTone; group = 0.7; }
      if ((mark & 2u) > 0u) { colour = hatched(3, p) ? inkOn(avoidTone) : avoidTone; group = 0.8; }
    }
    if (label > 0 && label == hot) colour = mix(colour, accent, 0.42);
    if (label > 0 && (label == hot || label == chosen)) group = 0.97; // a heavy outline; the tint keeps its meaning
    float lit = kind == 2 ? 1.0 : 0.72 + 0.32 * max(0.0, dot(normal, vec3(-0.42, 0.58, 0.70)));
    tone = vec4(colour * lit, 1.0);
    form = vec4(normal * 0.5 + 0.5, group);
  }`;

export const INK_VERTEX = `
  precision highp float;
  in vec3 position;
  void main() { gl_Position = vec4(position.xy, 0.0, 1.0); }`;

export const INK_FRAGMENT = `
  precision highp float; precision highp int;
  uniform sampler2D tone, form, depth; uniform int fine; uniform float jump; uniform ivec2 room;
  uniform vec3 paper, ink;
  out vec4 result;
  float inkAt(ivec2 p) {
    float drawn = 0.0, d = texelFetch(depth, p, 0).r; vec4 here = texelFetch(form, p, 0);
    for (int k = 0; k < 2; k++) {
      ivec2 s = k == 0 ? ivec2(1, 0) : ivec2(0, 1);
      if (any(greaterThanEqual(p + 2 * s, room))) continue;
      float after = texelFetch(depth, p + s, 0).r, before = texelFetch(depth, max(p - s, ivec2(0)), 0).r;
      float beyond = texelFetch(depth, p + 2 * s, 0).r;
      if (d == 1.0 && after == 1.0) continue;
      vec4 there = texelFetch(form, p + s, 0);
      bool bed = here.a > 0.89 && here.a < 0.91, bedThere = there.a > 0.89 && there.a < 0.91;
      if (d == 1.0 || after == 1.0) { drawn = max(drawn, bed || bedThere ? 0.35 : 1.0); continue; }
      if (min(abs(after - 2.0 * d + before), abs(beyond - 2.0 * after + d)) > jump) return 1.0;
      vec3 a = normalize(here.xyz - 0.5), b = normalize(there.xyz - 0.5);
      if (dot(a, b) < 0.85 || abs(here.a - there.a) > 0.005) drawn = max(drawn, 0.55);
      if (abs(here.a - there.a) > 0.005 && max(here.a, there.a) > 0.96) return 1.0;
    }
    return drawn;
  }
  void main() {
    vec3 sum = vec3(0.0); ivec2 corner = ivec2(gl_FragCoord.xy) * fine;
    for (int y = 0; y < fine; y++) for (int x = 0; x < fine; x++) {
      ivec2 p = corner + ivec2(x, y);
      vec3 here = texelFetch(depth, p, 0).r == 1.0 ? paper : texelFetch(tone, p, 0).rgb;
      sum += mix(here, ink, inkAt(p));
    }
    result = vec4(sum / float(fine * fine), 1.0);
  }`;
