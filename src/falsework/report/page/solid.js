"use strict";
// The solid view of a work order: WebGL 2, no library, drawn in the same manner as the pictures above it.
// Pass one draws tone, normal and depth; pass two inks the edges where those jump.
(async () => {
  const byId = (id) => document.getElementById(id);
  const box = byId("solid"), canvas = byId("stage"), numbers = byId("numbers");
  const gl = canvas.getContext("webgl2", { antialias: false, alpha: false });
  if (!gl || typeof DecompressionStream === "undefined") return;
  const facts = JSON.parse(byId("solid-facts").textContent);

  // ---- unpack: see solid.py for the layout -------------------------------------------------------------------
  const packed = Uint8Array.from(atob(byId("solid-data").textContent), (c) => c.charCodeAt(0));
  const inflated = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  const bytes = new Uint8Array(await new Response(inflated).arrayBuffer());
  let read = 0;

  function triangles(points, faces, runs) {
    const p = 3 * points, f = 3 * faces, at = new Uint16Array(p);
    for (let axis = 0; axis < 3; axis++) {
      let value = 0;
      for (let i = 0; i < points; i++) {
        const k = read + axis * points + i;
        value = (value + bytes[k] + (bytes[k + p] << 8)) & 0xffff;
        at[3 * i + axis] = value;
      }
    }
    read += 2 * p;
    const out = new Uint16Array(4 * f);
    let corner = 0, run = 0, left = runs.length ? 3 * runs[0][1] : Infinity;
    for (let i = 0; i < f; i++) {
      const k = read + i;
      const turned = (bytes[k] | (bytes[k + f] << 8) | (bytes[k + 2 * f] << 16) | (bytes[k + 3 * f] << 24)) >>> 0;
      corner += (turned >>> 1) ^ -(turned & 1);
      while (left === 0) left = 3 * runs[++run][1];
      left--;
      out.set(at.subarray(3 * corner, 3 * corner + 3), 4 * i);
      out[4 * i + 3] = runs.length ? runs[run][0] + 1 : 0;
    }
    read += 4 * f;
    return out;
  }

  // ---- programs ------------------------------------------------------------------------------------------------
  const solidVertex = `#version 300 es
    layout(location = 0) in vec4 corner;
    uniform vec3 low, middle; uniform float unit; uniform mat3 turned; uniform vec4 fit;
    out vec3 world, seen; flat out int tag;
    void main() {
      world = low + unit * corner.xyz;
      seen = turned * (world - middle);
      tag = int(corner.w);
      gl_Position = vec4(seen.xy * fit.xy + fit.zw, -seen.z / DEEP, 1.0);
    }`;
  const solidFragment = `#version 300 es
    precision highp float; precision highp int;
    in vec3 world, seen; flat in int tag;
    uniform float cut; uniform int tinted, bare, support; uniform vec3 partTone, supportTone; uniform sampler2D tones;
    layout(location = 0) out vec4 tone; layout(location = 1) out vec4 form;
    void main() {
      if (world.z > cut || (tag == 0 && bare == 0 && support == 0)) discard;
      vec3 normal = normalize(cross(dFdx(seen), dFdy(seen)));
      vec3 colour = support == 1 ? supportTone : partTone;
      ivec2 pixel = ivec2(gl_FragCoord.xy);
      if (!gl_FrontFacing) {
        colour *= (pixel.x + pixel.y) % 10 < 2 ? 0.55 : 0.78;
        tone = vec4(colour, 1.0);
        form = vec4(0.5, 0.5, 1.0, 0.02);
        return;
      }
      if (tag > 0 && tinted == 1) {
        vec4 mine = texelFetch(tones, ivec2(tag - 1, 0), 0), ink = texelFetch(tones, ivec2(tag - 1, 1), 0);
        int hatch = int(mine.a * 255.0 + 0.5);
        bool drawn = hatch == 1 ? pixel.x % 14 < 2 : hatch >= 2 && (pixel.x + pixel.y) % 14 < 2;
        if (hatch == 3 && abs(pixel.x - pixel.y) % 14 < 2) drawn = true;
        colour = drawn ? ink.rgb : mine.rgb;
      }
      float lit = 0.72 + 0.32 * max(0.0, dot(normal, vec3(-0.42, 0.58, 0.70)));
      tone = vec4(colour * lit, 1.0);
      form = vec4(normal * 0.5 + 0.5, support == 1 ? 0.3 : tinted == 1 ? fract(float(tag) * 0.137) * 0.6 + 0.4 : 0.4);
    }`;
  const inkVertex = `#version 300 es
    void main() { gl_Position = vec4(gl_VertexID == 1 ? 3.0 : -1.0, gl_VertexID == 2 ? 3.0 : -1.0, 0.0, 1.0); }`;
  const inkFragment = `#version 300 es
    precision highp float; precision highp int;
    uniform sampler2D tone, form, depth; uniform int fine; uniform float jump; uniform vec3 paper;
    out vec4 result;
    float inkAt(ivec2 p) {
      float ink = 0.0, d = texelFetch(depth, p, 0).r; vec4 here = texelFetch(form, p, 0);
      for (int k = 0; k < 2; k++) {
        ivec2 s = k == 0 ? ivec2(1, 0) : ivec2(0, 1);
        float after = texelFetch(depth, p + s, 0).r, before = texelFetch(depth, p - s, 0).r;
        float beyond = texelFetch(depth, p + 2 * s, 0).r;
        if (d == 1.0 && after == 1.0) continue;
        if (d == 1.0 || after == 1.0) return 1.0;
        if (min(abs(after - 2.0 * d + before), abs(beyond - 2.0 * after + d)) > jump) return 1.0;
        vec4 there = texelFetch(form, p + s, 0);
        vec3 a = normalize(here.xyz - 0.5), b = normalize(there.xyz - 0.5);
        if (dot(a, b) < 0.85 || abs(here.a - there.a) > 0.005) ink = 0.55;
      }
      return ink;
    }
    void main() {
      vec3 sum = vec3(0.0); ivec2 corner = ivec2(gl_FragCoord.xy) * fine;
      for (int y = 0; y < fine; y++) for (int x = 0; x < fine; x++) {
        ivec2 p = corner + ivec2(x, y);
        vec3 here = texelFetch(depth, p, 0).r == 1.0 ? paper : texelFetch(tone, p, 0).rgb;
        sum += mix(here, vec3(0.13), inkAt(p));
      }
      result = vec4(sum / float(fine * fine), 1.0);
    }`;

  function program(vertex, fragment) {
    const made = gl.createProgram();
    for (const [kind, text] of [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]]) {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, text);
      gl.compileShader(shader);
      gl.attachShader(made, shader);
    }
    gl.linkProgram(made);
    if (!gl.getProgramParameter(made, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(made) || "no program");
    return [made, (name) => gl.getUniformLocation(made, name)];
  }

  const { size, low } = facts;
  const deep = Math.hypot(...size);
  const [solid, solidAt] = program(solidVertex.replace("DEEP", deep.toFixed(6)), solidFragment);
  const [ink, inkAt] = program(inkVertex, inkFragment);

  function mesh(data) {
    const array = gl.createVertexArray();
    gl.bindVertexArray(array);
    gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
    gl.bufferData(gl.ARRAY_BUFFER, data, gl.STATIC_DRAW);
    gl.enableVertexAttribArray(0);
    gl.vertexAttribPointer(0, 4, gl.UNSIGNED_SHORT, false, 0, 0);
    return { array, count: data.length / 4 };
  }
  const part = mesh(triangles(facts.part.points, facts.part.faces, facts.part.runs));
  const supports = mesh(triangles(facts.supports.points, facts.supports.faces, []));
  const blank = gl.createVertexArray();

  const tones = gl.createTexture();
  {
    const { undersides, inks, hatches } = facts.tones, n = Math.max(1, undersides.length);
    const texels = new Uint8Array(8 * n);
    undersides.forEach((c, i) => {
      for (let k = 0; k < 3; k++) {
        texels[4 * i + k] = Math.round(255 * c[k]);
        texels[4 * (n + i) + k] = Math.round(255 * inks[i][k]);
      }
      texels[4 * i + 3] = hatches[i];
    });
    gl.bindTexture(gl.TEXTURE_2D, tones);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA8, n, 2, 0, gl.RGBA, gl.UNSIGNED_BYTE, texels);
    for (const name of ["MIN", "MAG"]) gl.texParameteri(gl.TEXTURE_2D, gl[`TEXTURE_${name}_FILTER`], gl.NEAREST);
  }

  // ---- buffers of pass one ---------------------------------------------------------------------------------------
  const frame = gl.createFramebuffer();
  let layers = [], fine = 2;
  function fitBuffers() {
    const sharp = Math.min(window.devicePixelRatio || 1, 2);
    const width = Math.max(2, Math.round(canvas.clientWidth * sharp));
    const height = Math.max(2, Math.round(canvas.clientHeight * sharp));
    if (canvas.width === width && canvas.height === height && layers.length) return;
    canvas.width = width;
    canvas.height = height;
    fine = sharp >= 1.5 ? 1 : 2;
    layers.forEach((t) => gl.deleteTexture(t));
    gl.bindFramebuffer(gl.FRAMEBUFFER, frame);
    const places = [gl.COLOR_ATTACHMENT0, gl.COLOR_ATTACHMENT1, gl.DEPTH_ATTACHMENT];
    layers = [gl.RGBA8, gl.RGBA8, gl.DEPTH_COMPONENT24].map((format, k) => {
      const texture = gl.createTexture();
      gl.bindTexture(gl.TEXTURE_2D, texture);
      gl.texStorage2D(gl.TEXTURE_2D, 1, format, width * fine, height * fine);
      for (const name of ["MIN", "MAG"]) gl.texParameteri(gl.TEXTURE_2D, gl[`TEXTURE_${name}_FILTER`], gl.NEAREST);
      gl.framebufferTexture2D(gl.FRAMEBUFFER, places[k], gl.TEXTURE_2D, texture, 0);
      return texture;
    });
    gl.drawBuffers([gl.COLOR_ATTACHMENT0, gl.COLOR_ATTACHMENT1]);
  }

  // ---- drawing ---------------------------------------------------------------------------------------------------
  const START = { turn: -32, rise: -28, grown: 1, right: 0, up: 0 };
  const eye = { ...START };
  const shown = (name) => byId(`show-${name}`).checked;
  const middle = size.map((s, k) => low[k] + s / 2);
  const slider = byId("cut");

  function axes() {
    const t = (eye.turn * Math.PI) / 180, r = (eye.rise * Math.PI) / 180;
    const right = [Math.cos(t), Math.sin(t), 0];
    const to = [Math.cos(r) * Math.sin(t), -Math.cos(r) * Math.cos(t), Math.sin(r)];
    const up = [to[1] * right[2] - to[2] * right[1], to[2] * right[0] - to[0] * right[2], to[0] * right[1] - to[1] * right[0]];
    return [right, up, to];
  }
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];

  function draw() {
    fitBuffers();
    const [right, up, to] = axes();
    const width = canvas.clientWidth || 1, height = canvas.clientHeight || 1;
    // the size is that of the box's diagonal, so that turning does not change it
    const scale = (eye.grown * Math.min(2.7 * height, 2.0 * width)) / deep;
    const fitX = scale / width, fitY = scale / height;
    const cut = Number(slider.value) >= Number(slider.max) ? 1e9 : facts.z[Number(slider.value)];

    gl.bindFramebuffer(gl.FRAMEBUFFER, frame);
    gl.viewport(0, 0, canvas.width * fine, canvas.height * fine);
    gl.clearBufferfv(gl.COLOR, 0, [0, 0, 0, 0]);
    gl.clearBufferfv(gl.COLOR, 1, [0.5, 0.5, 1, 0]);
    gl.clearBufferfv(gl.DEPTH, 0, [1]);
    gl.enable(gl.DEPTH_TEST);
    gl.useProgram(solid);
    gl.uniform3fv(solidAt("low"), low);
    gl.uniform3fv(solidAt("middle"), middle);
    gl.uniform1f(solidAt("unit"), facts.unit);
    gl.uniformMatrix3fv(solidAt("turned"), true, [...right, ...up, ...to]);
    gl.uniform4f(solidAt("fit"), fitX, fitY, eye.right, eye.up);
    gl.uniform1f(solidAt("cut"), cut);
    gl.uniform3fv(solidAt("partTone"), facts.tones.part);
    gl.uniform3fv(solidAt("supportTone"), facts.tones.support);
    gl.uniform1i(solidAt("bare"), shown("part") ? 1 : 0);
    gl.uniform1i(solidAt("tinted"), shown("undersides") ? 1 : 0);
    gl.activeTexture(gl.TEXTURE0);
    gl.bindTexture(gl.TEXTURE_2D, tones);
    gl.uniform1i(solidAt("tones"), 0);
    for (const [one, support, seen] of [
      [part, 0, shown("part") || shown("undersides")], [supports, 1, shown("supports")],
    ]) {
      if (!seen || !one.count) continue;
      gl.uniform1i(solidAt("support"), support);
      gl.bindVertexArray(one.array);
      gl.drawArrays(gl.TRIANGLES, 0, one.count);
    }

    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    gl.viewport(0, 0, canvas.width, canvas.height);
    gl.disable(gl.DEPTH_TEST);
    gl.useProgram(ink);
    layers.forEach((texture, k) => {
      gl.activeTexture(gl.TEXTURE0 + k);
      gl.bindTexture(gl.TEXTURE_2D, texture);
      gl.uniform1i(inkAt(["tone", "form", "depth"][k]), k);
    });
    gl.uniform1i(inkAt("fine"), fine);
    gl.uniform1f(inkAt("jump"), 0.003 / eye.grown);
    gl.uniform3f(inkAt("paper"), 0.973, 0.965, 0.937);
    gl.bindVertexArray(blank);
    gl.drawArrays(gl.TRIANGLES, 0, 3);
    write(right, up, fitX, fitY, width, height, cut);
  }

  function write(right, up, fitX, fitY, width, height, cut) {
    numbers.replaceChildren();
    if (!shown("numbers")) return;
    const taken = [];
    for (const { number, at } of facts.labels) {
      if (at[2] > cut) continue;
      const away = at.map((v, k) => v - middle[k]);
      const x = ((dot(right, away) * fitX + eye.right + 1) / 2) * width;
      const y = ((1 - dot(up, away) * fitY - eye.up) / 2) * height;
      if (taken.some(([a, b]) => Math.hypot(a - x, b - y) < 25)) continue;
      taken.push([x, y]);
      const group = document.createElementNS(numbers.namespaceURI, "g");
      if (eye.rise > 12 && shown("part")) group.setAttribute("class", "behind");
      for (const [name, given] of [["circle", { cx: x, cy: y, r: 11 }], ["text", { x, y: y + 4.5 }]]) {
        const drawn = document.createElementNS(numbers.namespaceURI, name);
        for (const [key, value] of Object.entries(given)) drawn.setAttribute(key, Number(value).toFixed(1));
        if (name === "text") drawn.textContent = number;
        group.append(drawn);
      }
      numbers.append(group);
    }
  }

  let due = false;
  function redraw() {
    if (due) return;
    due = true;
    requestAnimationFrame(() => { due = false; draw(); });
  }

  // ---- hands on it -----------------------------------------------------------------------------------------------
  const still = window.matchMedia("(prefers-reduced-motion: reduce)");
  const bound = () => {
    eye.rise = Math.max(-90, Math.min(90, eye.rise));
    eye.grown = Math.max(0.4, Math.min(20, eye.grown));
  };
  let going = 0;
  function goTo(goal) {
    cancelAnimationFrame(going);
    if (still.matches) { Object.assign(eye, goal); redraw(); return; }
    const from = { ...eye }, began = performance.now();
    const turn = ((((goal.turn - from.turn) % 360) + 540) % 360) - 180;
    const step = (now) => {
      const share = Math.min(1, (now - began) / 300), eased = share * share * (3 - 2 * share);
      for (const key of Object.keys(goal)) eye[key] = from[key] + eased * ((key === "turn" ? from.turn + turn : goal[key]) - from[key]);
      draw();
      if (share < 1) going = requestAnimationFrame(step);
    };
    going = requestAnimationFrame(step);
  }

  const KEYS = {
    ArrowLeft: () => { eye.turn -= 6; }, ArrowRight: () => { eye.turn += 6; },
    ArrowUp: () => { eye.rise += 6; }, ArrowDown: () => { eye.rise -= 6; },
    "+": () => { eye.grown *= 1.15; }, "=": () => { eye.grown *= 1.15; }, "-": () => { eye.grown /= 1.15; },
    0: () => { Object.assign(eye, START); },
  };
  const SHIFTED = {
    ArrowLeft: () => { eye.right -= 0.06; }, ArrowRight: () => { eye.right += 0.06; },
    ArrowUp: () => { eye.up += 0.06; }, ArrowDown: () => { eye.up -= 0.06; },
  };
  canvas.addEventListener("keydown", (event) => {
    const act = (event.shiftKey && SHIFTED[event.key]) || KEYS[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
    bound();
    redraw();
  });

  const fingers = new Map();
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, [event.clientX, event.clientY]);
  });
  canvas.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) return;
    const now = [event.clientX, event.clientY], dx = now[0] - before[0], dy = now[1] - before[1];
    const other = [...fingers].find(([id]) => id !== event.pointerId);
    if (other) {
      const apart = (p) => Math.hypot(p[0] - other[1][0], p[1] - other[1][1]) || 1;
      eye.grown *= apart(now) / apart(before);
    }
    if (other || event.shiftKey || event.buttons === 2) {
      eye.right += (other ? 1 : 2) * dx / canvas.clientWidth;
      eye.up -= (other ? 1 : 2) * dy / canvas.clientHeight;
    } else {
      eye.turn -= 0.5 * dx;
      eye.rise += 0.5 * dy;
    }
    fingers.set(event.pointerId, now);
    bound();
    redraw();
  });
  for (const name of ["pointerup", "pointercancel"]) {
    canvas.addEventListener(name, (event) => fingers.delete(event.pointerId));
  }
  canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  canvas.addEventListener("wheel", (event) => {
    if (document.activeElement !== canvas) return; // the page scrolls until the view is picked up
    event.preventDefault();
    eye.grown *= Math.exp(-0.0015 * event.deltaY);
    bound();
    redraw();
  }, { passive: false });
  canvas.addEventListener("webglcontextlost", (event) => {
    event.preventDefault();
    box.hidden = true;
    byId("no-solid").hidden = false;
  });

  function told() {
    const at = Number(slider.value), whole = at >= Number(slider.max);
    const text = whole ? "nothing cut" : `${facts.z[at].toFixed(1)} mm`;
    byId("cut-mm").textContent = text;
    slider.setAttribute("aria-valuetext", text);
    redraw();
  }
  slider.addEventListener("input", told);
  for (const one of box.querySelectorAll("input[type=checkbox]")) one.addEventListener("change", redraw);
  for (const one of box.querySelectorAll("button[data-turn]")) {
    one.addEventListener("click", () => goTo({ ...START, turn: Number(one.dataset.turn), rise: Number(one.dataset.rise) }));
  }

  box.hidden = false;
  byId("no-solid").hidden = true;
  new ResizeObserver(redraw).observe(canvas);
  told();
})();
