// A small picture of a part in the tray: fetched and drawn when its row comes into view.

import { buffers } from "../api.js";
import { Plate } from "../figure/plate.js";
import { bed, dispose, shell } from "../figure/solids.js";

export class Thumb {
  constructor(id) {
    this.plate = new Plate({ name: `thumb-${id}`, label: "", home: "above", small: true });
    this.plate.canvas.setAttribute("aria-hidden", "true");
    this.watching = new IntersectionObserver(([entry]) => {
      this.near = entry.isIntersecting;
      this.fetch();
    }, { rootMargin: "300px" });
    this.watching.observe(this.plate.element);
  }

  /** Show the part of that result; null while there is none. */
  set(key) {
    this.wanted = key;
    this.fetch();
  }

  async fetch() {
    const key = this.wanted;
    if (!key || !this.near || this.shown === key) return;
    this.shown = key;
    try {
      const mesh = await buffers(`/api/results/${key}/coarse.mesh`);
      if (this.shown !== key || this.closed) return;
      dispose(this.solid);
      this.solid = shell(mesh, null);
      this.plate.set({ items: [{ solid: bed(this.solid.bounds) }, { solid: this.solid }] });
    } catch {
      this.shown = null; // cleared out meanwhile: the row says how the sheet stands
    }
  }

  close() {
    this.closed = true;
    this.watching.disconnect();
    this.plate.close();
    dispose(this.solid);
  }
}
