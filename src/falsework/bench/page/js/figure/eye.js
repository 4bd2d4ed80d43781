// Where one looks from: turn to the right of the front and rise above the bed's plane, in degrees.

export const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];

export const LOOKS = {
  above: { word: "above", title: "from above, front right", turn: 32, rise: 26 },
  below: { word: "below", title: "from below, front left", turn: -32, rise: -33 },
  front: { word: "front", title: "from the front", turn: 0, rise: 0 },
  right: { word: "right", title: "from the right", turn: 90, rise: 0 },
  back: { word: "back", title: "from below, back right", turn: 148, rise: -33 },
};

/** Rows: the picture's right, its up, and the way towards the viewer. */
export function axesOf({ turn, rise }) {
  const t = (turn * Math.PI) / 180, r = (rise * Math.PI) / 180;
  const right = [Math.cos(t), Math.sin(t), 0];
  const to = [Math.cos(r) * Math.sin(t), -Math.cos(r) * Math.cos(t), Math.sin(r)];
  const up = [to[1] * right[2] - to[2] * right[1], to[2] * right[0] - to[0] * right[2], to[0] * right[1] - to[1] * right[0]];
  return [right, up, to];
}

/** Rotation about x, then y, then z, as nine numbers row by row: how a plan turns a part. */
export function turnMatrix([x, y, z]) {
  const [a, b, c] = [x, y, z].map((v) => (v * Math.PI) / 180);
  const [ca, sa, cb, sb, cc, sc] = [Math.cos(a), Math.sin(a), Math.cos(b), Math.sin(b), Math.cos(c), Math.sin(c)];
  return [
    cc * cb, cc * sb * sa - sc * ca, cc * sb * ca + sc * sa,
    sc * cb, sc * sb * sa + cc * ca, sc * sb * ca - cc * sa,
    -sb, cb * sa, cb * ca,
  ];
}

export const multiplied = (a, b) =>
  [0, 1, 2].flatMap((i) => [0, 1, 2].map((j) => a[3 * i] * b[j] + a[3 * i + 1] * b[3 + j] + a[3 * i + 2] * b[6 + j]));
export const turnedBack = (m) => [m[0], m[3], m[6], m[1], m[4], m[7], m[2], m[5], m[8]];
export const applied = (m, v) => [0, 1, 2].map((i) => m[3 * i] * v[0] + m[3 * i + 1] * v[1] + m[3 * i + 2] * v[2]);

/** The eight corners of a box. */
export const cornersOf = ([low, high]) =>
  Array.from({ length: 8 }, (_, k) => [0, 1, 2].map((axis) => ((k >> axis) & 1 ? high : low)[axis]));

/** The box around several boxes. */
export function around(boxes) {
  return [0, 1].map((end) => [0, 1, 2].map((k) => (end ? Math.max : Math.min)(...boxes.map((b) => b[end][k]))));
}

/** How many pixels a millimetre takes so that `bounds`, seen along `axes`, fits into `width` × `height`. */
export function scaleToFit(bounds, axes, width, height) {
  const middle = [0, 1, 2].map((k) => (bounds[0][k] + bounds[1][k]) / 2);
  let across = 1e-6, tall = 1e-6;
  for (const corner of cornersOf(bounds)) {
    const away = corner.map((v, k) => v - middle[k]);
    across = Math.max(across, Math.abs(dot(axes[0], away)));
    tall = Math.max(tall, Math.abs(dot(axes[1], away)));
  }
  return Math.min(width / (2 * across), height / (2 * tall));
}
