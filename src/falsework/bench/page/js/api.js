// Talking to the bench: JSON, binary buffers, and errors in the one shape that the server gives them.

export class BenchError extends Error {
  constructor(status, body) {
    const { kind = "Unreachable", subject = "the bench", wrong = "it does not answer", cure = "Is it still running?" } = body?.error || {};
    super(`${subject}: ${wrong}. ${cure}${/[.?!]$/.test(cure) ? "" : "."}`);
    Object.assign(this, { status, kind, subject, wrong, cure, body });
  }
}

const listeners = new Set();
let reachable = true;

/** Be told when the bench can no longer be reached, and when it can again. Returns what ends it. */
export function onReach(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}
export const isReachable = () => reachable;

export function reached(now) {
  if (now === reachable) return;
  reachable = now;
  listeners.forEach((listener) => listener(now));
}

async function ask(path, options = {}) {
  let answer;
  try {
    answer = await fetch(path, { credentials: "same-origin", ...options });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    reached(false);
    throw new BenchError(0, null);
  }
  reached(true);
  if (answer.ok) return answer;
  const body = await answer.json().catch(() => null);
  throw new BenchError(answer.status, body || { error: { kind: "Unknown", subject: path, wrong: `the bench answers ${answer.status}`, cure: "Reload the page" } });
}

const json = async (answer) => (answer.status === 204 ? null : answer.json());
const sent = (method) => async (path, body) =>
  json(await ask(path, {
    method, ...(body === undefined ? {} : { headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) }),
  }));

export const get = async (path, options) => json(await ask(path, options));
export const post = sent("POST"), patch = sent("PATCH"), put = sent("PUT"), remove = sent("DELETE");
export const text = async (path) => (await ask(path)).text();

/** Send raw bytes. */
export const raw = async (path, body) =>
  json(await ask(path, { method: "POST", headers: { "Content-Type": "application/octet-stream" }, body }));

/** Fetch a file and hand it to whoever looks at the page; what is wrong is thrown, as of any answer. */
export async function download(path, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(await (await ask(path)).blob());
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
}

/** Send a file with progress (0..1); `stop` of the returned object ends it. */
export function upload(path, file, progress) {
  const request = new XMLHttpRequest();
  const done = new Promise((resolve, reject) => {
    request.open("POST", path);
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.upload.onprogress = (event) => event.lengthComputable && progress(event.loaded / event.total);
    request.onerror = () => {
      reached(false);
      reject(new BenchError(0, null));
    };
    request.onabort = () => reject(new DOMException("stopped", "AbortError"));
    request.onload = () => {
      reached(true);
      let body = null;
      try {
        body = JSON.parse(request.responseText);
      } catch { /* not JSON: the status says enough */ }
      if (request.status < 400) resolve(body);
      else reject(new BenchError(request.status, body));
    };
    request.send(file);
  });
  return { done, stop: () => request.abort() };
}

const TYPES = { float32: Float32Array, uint32: Uint32Array, uint16: Uint16Array, uint8: Uint8Array };

/** Named arrays and facts of one binary result. */
export async function buffers(path) {
  const bytes = await (await ask(path)).arrayBuffer();
  const head = new Uint8Array(bytes, 0, 8);
  if (String.fromCharCode(...head.subarray(0, 4)) !== "FWB1") {
    throw new BenchError(0, { error: { subject: path, wrong: "these are not the bench's buffers", cure: "Reload the page" } });
  }
  const length = new DataView(bytes).getUint32(4, true);
  const { arrays, meta } = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 8, length)));
  const views = {};
  for (const [name, { type, shape, at }] of Object.entries(arrays)) {
    views[name] = new TYPES[type](bytes, 8 + length + at, shape.reduce((a, b) => a * b, 1));
  }
  return { arrays: views, meta };
}
