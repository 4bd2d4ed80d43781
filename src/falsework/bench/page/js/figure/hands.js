// Hands on a plate: pointer, wheel and keyboard turn it, point at things, or paint.

const START = { grown: 1, right: 0, up: 0 };

/** Give `plate` its pointers and keys. While `plate.painting` is set, dragging on the part paints. */
export function hands(plate) {
  const { canvas, eye } = plate;
  const fingers = new Map();
  let travelled = 0, paints = false, hovering = 0;

  const bound = () => {
    eye.rise = Math.max(-90, Math.min(90, eye.rise));
    eye.grown = Math.max(0.4, Math.min(20, eye.grown));
    plate.moved();
  };
  const place = (event) => {
    const box = canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };

  const KEYS = {
    ArrowLeft: () => { eye.turn -= 6; }, ArrowRight: () => { eye.turn += 6; },
    ArrowUp: () => { eye.rise += 6; }, ArrowDown: () => { eye.rise -= 6; },
    "+": () => { eye.grown *= 1.15; }, "=": () => { eye.grown *= 1.15; }, "-": () => { eye.grown /= 1.15; },
    0: () => Object.assign(eye, START, { turn: plate.home.turn, rise: plate.home.rise }),
  };
  const SHIFTED = {
    ArrowLeft: () => { eye.right -= 0.06; }, ArrowRight: () => { eye.right += 0.06; },
    ArrowUp: () => { eye.up += 0.06; }, ArrowDown: () => { eye.up -= 0.06; },
  };

  canvas.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (plate.painting && plate.on.key?.(event)) {
      event.preventDefault();
      return;
    }
    const onward = { PageDown: 1, PageUp: -1 }[event.key];
    if (onward && plate.on.onward) {
      event.preventDefault();
      plate.on.onward(onward);
      return;
    }
    const act = (event.shiftKey && !plate.painting && SHIFTED[event.key]) || KEYS[event.key];
    if (!act) return;
    event.preventDefault();
    act();
    bound();
  });

  canvas.addEventListener("pointerdown", (event) => {
    const [x, y] = place(event);
    canvas.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, [event.clientX, event.clientY]);
    plate.hold(true);
    travelled = 0;
    paints = Boolean(plate.painting) && event.button === 0 && fingers.size === 1 && plate.at(x, y)?.kind === 0;
    if (paints) plate.on.paint?.(x, y, "begin");
  });

  canvas.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    const [x, y] = place(event);
    if (!before) {
      if (plate.painting) plate.on.aim?.(x, y);
      else if (plate.on.hover && !hovering) {
        hovering = requestAnimationFrame(() => {
          hovering = 0;
          const hit = plate.turning ? null : plate.at(x, y);
          plate.on.hover(hit && hit.kind === plate.tagKind ? hit.id : 0);
        });
      }
      return;
    }
    const now = [event.clientX, event.clientY], dx = now[0] - before[0], dy = now[1] - before[1];
    travelled += Math.abs(dx) + Math.abs(dy);
    fingers.set(event.pointerId, now);
    if (paints) {
      plate.on.paint?.(x, y, "more");
      return;
    }
    const other = [...fingers].find(([id]) => id !== event.pointerId);
    if (other) {
      const apart = (p) => Math.hypot(p[0] - other[1][0], p[1] - other[1][1]) || 1;
      eye.grown *= apart(now) / apart(before);
    }
    if (other || event.shiftKey || event.buttons === 2) {
      eye.right += ((other ? 1 : 2) * dx) / canvas.clientWidth;
      eye.up -= ((other ? 1 : 2) * dy) / canvas.clientHeight;
    } else {
      eye.turn -= 0.5 * dx;
      eye.rise += 0.5 * dy;
    }
    bound();
  });

  const up = (event) => {
    const [x, y] = place(event);
    const single = fingers.size === 1;
    fingers.delete(event.pointerId);
    plate.hold(fingers.size > 0);
    if (paints) {
      paints = false;
      plate.on.paint?.(x, y, "end");
    } else if (single && travelled < 5 && event.type === "pointerup" && plate.on.pick) {
      const hit = plate.at(x, y);
      plate.on.pick(hit && hit.kind === plate.tagKind ? hit.id : 0);
    }
  };
  canvas.addEventListener("pointerup", up);
  canvas.addEventListener("pointercancel", up);
  canvas.addEventListener("pointerleave", () => {
    plate.on.hover?.(0);
    plate.on.aim?.(-99, -99);
  });
  canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  canvas.addEventListener("wheel", (event) => {
    if (document.activeElement !== canvas) return; // the page scrolls until the figure is picked up
    event.preventDefault();
    eye.grown *= Math.exp(-0.0015 * event.deltaY);
    bound();
  }, { passive: false });
}
