// Thin meshes for pictures that move: corners gathered in the cells of a grid, faces that shrink to a line left out.

/** A grid, `[low x, y, z, side]`, on which about `most` of these faces are left. */
export function gridOver(positions, faces, most) {
  const low = [Infinity, Infinity, Infinity], p = positions;
  let area = 0;
  for (let i = 0; i < faces.length; i += 3) {
    const [a, b, c] = [3 * faces[i], 3 * faces[i + 1], 3 * faces[i + 2]];
    const ux = p[b] - p[a], uy = p[b + 1] - p[a + 1], uz = p[b + 2] - p[a + 2];
    const vx = p[c] - p[a], vy = p[c + 1] - p[a + 1], vz = p[c + 2] - p[a + 2];
    area += 0.5 * Math.hypot(uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx);
    for (let k = 0; k < 3; k++) low[k] = Math.min(low[k], p[a + k], p[b + k], p[c + k]);
  }
  return [...low, Math.sqrt((2.5 * area) / most) || 1];
}

const WIDE = 2 ** 16; // cells along an axis, at most

/** The cell of a corner, as one number. */
function cellOf(p, i, [x, y, z, side]) {
  const along = (v, low) => Math.max(0, Math.min(WIDE - 1, Math.floor((v - low) / side)));
  return along(p[i], x) + WIDE * (along(p[i + 1], y) + WIDE * along(p[i + 2], z));
}

/**
 * Faces of numbered runs, gathered on a grid: `{ positions, faces, tags }`, the number of a run with its corners.
 * Corners of `faces`, or with null those of loose triangles. A corner goes to the middle of those in its cell, or
 * to the one of `onto` (the corners of another mesh that was gathered on the same grid) that is in it.
 */
export function gathered(positions, faces, start, grid, onto = null) {
  const places = new Map(); // of the other mesh, by cell
  for (let i = 0; onto && i < onto.length; i += 3) places.set(cellOf(onto, i, grid), i);
  const count = positions.length / 3, at = new Uint32Array(count), owner = new Uint32Array(count);
  const sums = [], tags = [], held = [], left = [], seen = new Set();
  let known = new Map(), run = 0;
  const corner = (v) => {
    if (owner[v] === run) return at[v];
    const cell = cellOf(positions, 3 * v, grid);
    let k = known.get(cell);
    if (k === undefined) {
      known.set(cell, (k = tags.length));
      const i = places.get(cell);
      tags.push(run);
      held.push(i !== undefined);
      sums.push(...(held[k] ? [onto[i], onto[i + 1], onto[i + 2], 1] : [0, 0, 0, 0]));
    }
    if (!held[k]) {
      for (let axis = 0; axis < 3; axis++) sums[4 * k + axis] += positions[3 * v + axis];
      sums[4 * k + 3] += 1;
    }
    owner[v] = run;
    at[v] = k;
    return k;
  };
  for (run = 1; run < start.length; run++) {
    known = new Map();
    for (let face = start[run - 1]; face < start[run]; face++) {
      const [a, b, c] = [0, 1, 2].map((k) => corner(faces ? faces[3 * face + k] : 3 * face + k));
      if (a === b || b === c || c === a) continue;
      const first = Math.min(a, b, c); // a wall of many faces comes to few, the same again and again
      const [x, y, z] = first === a ? [a, b, c] : first === b ? [b, c, a] : [c, a, b], key = (x * WIDE + y) * WIDE + z;
      if (seen.has(key)) continue;
      seen.add(key);
      left.push(x, y, z);
    }
  }
  const out = new Float32Array(3 * tags.length);
  for (let k = 0; k < tags.length; k++) for (let axis = 0; axis < 3; axis++) out[3 * k + axis] = sums[4 * k + axis] / sums[4 * k + 3];
  return { positions: out, faces: new Uint32Array(left), tags: new Uint32Array(tags) };
}
