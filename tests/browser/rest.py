"""When a page is at rest: nothing that it asked for is still to come, so what it shows will stay."""

from __future__ import annotations

from typing import Any

PATIENCE_MS = 90_000
# Runs before the page's own scripts and keeps count of what they wait for: animation frames, answers and
# their content, short timers. (Longer ones, and the stream of events, are there at rest too.)
WATCH = """(() => {
  const LONG_MS = 1000, QUIET_FRAMES = 3;
  const frame = window.requestAnimationFrame.bind(window), timer = window.setTimeout.bind(window);
  const awaited = new Map();
  const once = (ask, take, what, when = () => true) => {
    const asked = window[ask].bind(window), taken = window[take].bind(window);
    window[ask] = (then, delay, ...more) => {
      const number = asked((...given) => {
        awaited.delete(`${ask} ${number}`);
        then(...given);
      }, delay, ...more);
      if (when(delay)) awaited.set(`${ask} ${number}`, what);
      return number;
    };
    window[take] = (number) => {
      awaited.delete(`${ask} ${number}`);
      taken(number);
    };
  };
  const during = (owner, name) => {
    const begun = owner[name];
    owner[name] = function (...given) {
      const token = {};
      awaited.set(token, `${name} ${given[0] ?? this.url ?? ''}`);
      return begun.apply(this, given).finally(() => awaited.delete(token));
    };
  };
  once('requestAnimationFrame', 'cancelAnimationFrame', 'a frame');
  once('setTimeout', 'clearTimeout', 'a timer', (delay = 0) => delay < LONG_MS);
  during(window, 'fetch');
  for (const body of ['arrayBuffer', 'blob', 'json', 'text']) during(Response.prototype, body);
  const send = XMLHttpRequest.prototype.send;
  XMLHttpRequest.prototype.send = function (...given) {
    awaited.set(this, 'an upload');
    this.addEventListener('loadend', () => awaited.delete(this));
    send.apply(this, given);
  };
  // observers of what is in view are told between one frame and the next
  window.atRest = async (patienceMs) => {
    const end = performance.now() + patienceMs;
    for (let quiet = 0; quiet < QUIET_FRAMES; quiet = awaited.size ? 0 : quiet + 1) {
      if (performance.now() > end) throw new Error(`never at rest: ${[...awaited.values()].join(', ')}`);
      await new Promise((done) => frame(() => timer(done)));
    }
  };
})();"""


def still(page: Any) -> None:
    """Wait until the page is at rest."""
    page.evaluate("(patience) => window.atRest(patience)", PATIENCE_MS)
