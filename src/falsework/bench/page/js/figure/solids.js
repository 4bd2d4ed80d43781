// Solids: what a figure draws, made from the server's binary buffers. Nothing here knows what it means.

import { gathered, gridOver } from "./thin.js";
import { BufferAttribute, BufferGeometry, DataTexture, NearestFilter, RedIntegerFormat, RGBAFormat,
  UnsignedByteType } from "../../vendor/three.module.min.js";

export const PART = 0, SUPPORT = 1, BED = 2, PATCH = 3;
const MARKS_WIDE = 4096; // texels in a row of the marks
const THIN_FACES = 40_000; // about so many are left of the supports while they are turned: their legs are narrow

/** Bounds of `positions` as `[low, high]`. */
export function boundsOf(positions) {
  const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
  for (let i = 0; i < positions.length; i += 3) {
    for (let k = 0; k < 3; k++) {
      const v = positions[i + k];
      if (v < low[k]) low[k] = v;
      if (v > high[k]) high[k] = v;
    }
  }
  return [low, high];
}

/** Bounds of `positions` once turned by the nine numbers of `turn`. */
export function turnedBounds(positions, turn) {
  const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
  for (let i = 0; i < positions.length; i += 3) {
    const x = positions[i], y = positions[i + 1], z = positions[i + 2];
    for (let k = 0; k < 3; k++) {
      const v = turn[3 * k] * x + turn[3 * k + 1] * y + turn[3 * k + 2] * z;
      if (v < low[k]) low[k] = v;
      if (v > high[k]) high[k] = v;
    }
  }
  return [low, high];
}

function geometryOf(positions, faces, tags) {
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(positions, 3));
  if (faces) geometry.setIndex(new BufferAttribute(faces, 1));
  if (tags) geometry.setAttribute("tag", new BufferAttribute(tags, 1));
  return geometry;
}

const thinGeometry = ({ positions, faces, tags }) => geometryOf(positions, faces, tags);

/** A shell of one tone: the part. `thin` is the same with fewer faces, for while it is turned. */
export function shell(buffers, thinBuffers) {
  const { positions, faces } = buffers.arrays;
  const thin = thinBuffers && thinBuffers.arrays.faces.length < faces.length ? thinBuffers.arrays : null;
  return {
    kind: PART, bounds: boundsOf(positions), faces: faces.length / 3, source: buffers.arrays,
    geometry: geometryOf(positions, faces),
    thin: thin && geometryOf(thin.positions, thin.faces),
  };
}

/** Corners of indexed faces one after the other, so that every face can have a number and marks of its own. */
export function expanded(positions, faces) {
  const out = new Float32Array(3 * faces.length);
  for (let i = 0; i < faces.length; i++) {
    const from = 3 * faces[i];
    out[3 * i] = positions[from];
    out[3 * i + 1] = positions[from + 1];
    out[3 * i + 2] = positions[from + 2];
  }
  return out;
}

/** One byte a face, `wide` in a row. */
export function marksTexture(marks, wide, rows) {
  const texture = new DataTexture(marks, wide, rows, RedIntegerFormat, UnsignedByteType);
  texture.internalFormat = "R8UI";
  texture.minFilter = texture.magFilter = NearestFilter;
  texture.unpackAlignment = 1;
  texture.needsUpdate = true;
  return texture;
}

/** The same shell face by face: it can be pointed at and marked. */
export function markable(solid) {
  const count = solid.faces, rows = Math.max(1, Math.ceil(count / MARKS_WIDE));
  const marks = new Uint8Array(MARKS_WIDE * rows);
  const texture = marksTexture(marks, MARKS_WIDE, rows);
  const { positions, faces } = solid.source;
  return { ...solid, geometry: geometryOf(expanded(positions, faces), null), faced: true, marks, texture };
}

/** Tags 1, 2, … for runs of faces: run k is `start[k]…start[k + 1]`, three corners a face. */
function tagsOf(start, corners) {
  const tags = new Uint32Array(corners);
  for (let k = 0; k + 1 < start.length; k++) tags.fill(k + 1, 3 * start[k], 3 * start[k + 1]);
  return tags;
}

/** A thinner form of a solid, made when it is first turned. */
function thinning(solid, make) {
  let made = null;
  Object.defineProperty(solid, "thin", { get: () => (made ??= make()) });
  solid.dropThin = () => made?.dispose();
  return solid;
}

/**
 * Loose patches on the surface of the part, each with its number. `thinPart` is the part's thin mesh: while both are
 * turned, the patches lie on it.
 */
export function patches(buffers, thinPart) {
  const { positions, start } = buffers.arrays, grid = thinPart?.arrays.grid;
  if (!positions.length) return null;
  const solid = {
    kind: PATCH, bounds: boundsOf(positions), faces: positions.length / 9, tagged: true,
    geometry: geometryOf(positions, null, tagsOf(start, positions.length / 3)),
  };
  return grid ? thinning(solid, () => thinGeometry(gathered(positions, null, start, grid, thinPart.arrays.positions))) : solid;
}

/** Pieces of support, each with its number. */
export function pieces(buffers) {
  const { positions, faces, start } = buffers.arrays;
  if (!faces.length) return null;
  const solid = {
    kind: SUPPORT, bounds: boundsOf(positions), faces: faces.length / 3, tagged: true,
    geometry: geometryOf(expanded(positions, faces), null, tagsOf(start, faces.length)),
  };
  return solid.faces > THIN_FACES ? thinning(solid, () => thinGeometry(gathered(positions, faces, start, gridOver(positions, faces, THIN_FACES)))) : solid;
}

const GAP = 0.82; // of a strand's width is drawn, so that strands beside each other are told apart

/** Strands laid flat at one height, each with its role as its number: `ends` (n, 4), `width` (n,), `role` (n,). */
export function strands({ ends, width, role }, z) {
  if (!role.length) return null;
  const positions = new Float32Array(18 * role.length), tags = new Uint32Array(6 * role.length);
  for (let i = 0; i < role.length; i++) {
    const [x0, y0, x1, y1] = ends.subarray(4 * i, 4 * i + 4), half = (GAP * width[i]) / 2;
    const long = Math.hypot(x1 - x0, y1 - y0) || 1, ux = (half * (x1 - x0)) / long, uy = (half * (y1 - y0)) / long;
    const [a, b, c, d] = [[x0 - ux + uy, y0 - uy - ux], [x1 + ux + uy, y1 + uy - ux], [x1 + ux - uy, y1 + uy + ux], [x0 - ux - uy, y0 - uy + ux]];
    positions.set([a, b, c, a, c, d].flatMap(([x, y]) => [x, y, z]), 18 * i);
    tags.fill(role[i], 6 * i, 6 * i + 6);
  }
  return { kind: PART, bounds: boundsOf(positions), faces: positions.length / 9, tagged: true, geometry: geometryOf(positions, null, tags) };
}

/** The bed beneath what stands on it, with a margin: a plain sheet at z = 0, seen from above only. */
export function bed(bounds) {
  const [low, high] = bounds;
  const edge = 0.12 * Math.max(high[0] - low[0], high[1] - low[1], 1);
  const [x0, y0, x1, y1] = [low[0] - edge, low[1] - edge, high[0] + edge, high[1] + edge];
  const z = Math.min(low[2], 0) - 1e-3 * edge;
  const corners = new Float32Array([x0, y0, z, x1, y0, z, x1, y1, z, x0, y1, z]);
  return {
    kind: BED, bounds: [[x0, y0, z], [x1, y1, z]], faces: 2,
    geometry: geometryOf(corners, new Uint32Array([0, 1, 2, 0, 2, 3])),
  };
}

/** Hatch code of what is not drawn at all. */
export const GONE = 9;

/** Tones of numbered things: `{ tone, ink, hatch }` by number from 1, as a texture of two rows. */
export function looksTexture(looks) {
  const n = Math.max(1, looks.length), texels = new Uint8Array(8 * n);
  looks.forEach(({ tone, ink, hatch }, i) => {
    for (let k = 0; k < 3; k++) {
      texels[4 * i + k] = Math.round(255 * tone[k]);
      texels[4 * (n + i) + k] = Math.round(255 * ink[k]);
    }
    texels[4 * i + 3] = hatch;
  });
  const texture = new DataTexture(texels, n, 2, RGBAFormat, UnsignedByteType);
  texture.minFilter = texture.magFilter = NearestFilter;
  texture.needsUpdate = true;
  return texture;
}

/** Give back what the graphics card holds. */
export function dispose(solid) {
  solid?.geometry.dispose();
  if (solid?.dropThin) solid.dropThin();
  else solid?.thin?.dispose();
  solid?.texture?.dispose();
}
