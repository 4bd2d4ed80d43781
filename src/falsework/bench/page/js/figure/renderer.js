// One drawing engine for all figures of a page: it draws a figure when asked, into a canvas of its own, and
// the figure copies the picture. Nothing runs between requests.

import { BufferAttribute, BufferGeometry, Camera, DepthTexture, DoubleSide, FrontSide, GLSL3, Matrix3, Mesh,
  NearestFilter, RawShaderMaterial, Scene, UnsignedIntType, Vector2, Vector3, Vector4, WebGLRenderer,
  WebGLRenderTarget } from "../../vendor/three.module.min.js";
import { INK_FRAGMENT, INK_VERTEX, SOLID_FRAGMENT, SOLID_VERTEX } from "./shaders.js";
import { BED, looksTexture, marksTexture, PATCH } from "./solids.js";

const NO_CUT = 1e9, NO_SECTION = [0, 0, 0, 1];
const EVERY_WAY = [1, 0, 0, 0, 1, 0, 0, 0, 1];

class Renderer {
  constructor() {
    this.canvas = document.createElement("canvas");
    this.gl = new WebGLRenderer({ canvas: this.canvas, antialias: false, alpha: false, preserveDrawingBuffer: true });
    this.gl.autoClear = false;
    this.gl.info.autoReset = true;
    this.camera = new Camera();
    this.size = [0, 0];
    this.blank = looksTexture([]);
    this.unmarked = marksTexture(new Uint8Array(1), 1, 1);
    this.materials = new Map();
    this.inkScene = new Scene();
    const cover = new BufferGeometry();
    cover.setAttribute("position", new BufferAttribute(new Float32Array([-1, -1, 0, 3, -1, 0, -1, 3, 0]), 3));
    this.ink = new RawShaderMaterial({
      vertexShader: INK_VERTEX, fragmentShader: INK_FRAGMENT, glslVersion: GLSL3, depthTest: false, depthWrite: false,
      uniforms: {
        tone: { value: null }, form: { value: null }, depth: { value: null }, fine: { value: 1 },
        jump: { value: 0.003 }, paper: { value: new Vector3() }, ink: { value: new Vector3() },
        room: { value: new Vector2() },
      },
    });
    const mesh = new Mesh(cover, this.ink);
    mesh.frustumCulled = false;
    this.inkScene.add(mesh);
  }

  get lost() {
    return this.gl.getContext().isContextLost();
  }

  /** Buffers and canvas are as large as the largest figure so far. */
  fit(width, height, fine) {
    const wanted = [Math.max(width, this.size[0]), Math.max(height, this.size[1])];
    if (this.target && wanted[0] === this.size[0] && wanted[1] === this.size[1] && this.fine === fine) return;
    this.size = wanted;
    this.fine = fine;
    this.gl.setSize(wanted[0], wanted[1], false);
    this.target?.dispose();
    const [w, h] = wanted.map((v) => v * fine);
    this.target = new WebGLRenderTarget(w, h, {
      count: 3, minFilter: NearestFilter, magFilter: NearestFilter, generateMipmaps: false,
      depthTexture: new DepthTexture(w, h, UnsignedIntType),
    });
  }

  material(kind, tagged, faced) {
    const key = `${kind} ${tagged} ${faced}`;
    if (!this.materials.has(key)) {
      const value = (v) => ({ value: v });
      this.materials.set(key, new RawShaderMaterial({
        vertexShader: SOLID_VERTEX, fragmentShader: SOLID_FRAGMENT, glslVersion: GLSL3,
        side: kind === BED || kind === PATCH ? FrontSide : DoubleSide,
        defines: tagged ? { TAGGED: 1 } : {},
        polygonOffset: kind === PATCH, polygonOffsetFactor: -1, polygonOffsetUnits: -4,
        uniforms: {
          turn: value(new Matrix3()), shift: value(new Vector3()), looked: value(new Matrix3()),
          middle: value(new Vector3()), fit: value(new Vector4()), deep: value(1), kind: value(kind),
          glass: value(0), tinted: value(0), faced: value(faced ? 1 : 0), hot: value(0), chosen: value(0),
          limited: value(0), cut: value(NO_CUT), section: value(new Vector4()), pastLimit: value(-2), bedBand: value(0),
          plain: value(new Vector3()), accent: value(new Vector3()),
          showTone: value(new Vector3()), avoidTone: value(new Vector3()), looks: value(this.blank), marks: value(this.unmarked),
        },
      }));
    }
    return this.materials.get(key);
  }

  /**
   * Draw one figure. `view`: { width, height, fine (samples a pixel), axes (3 rows), middle, fit, deep, grown,
   * section (4) or null, tones, accent, turning }; `items`: [{ solid, plain, looks?, cut?, glass?, hot?, chosen?, turn?, shift?,
   * pastLimit? }]. Afterwards `canvas` holds the picture in its lower left corner.
   */
  draw(view, items) {
    const { width, height, fine } = view;
    this.fit(width, height, fine);
    this.drawn = view;
    const target = this.target;
    target.viewport.set(0, 0, width * fine, height * fine);
    target.scissor.set(0, 0, width * fine, height * fine);
    target.scissorTest = true;
    this.gl.setRenderTarget(target);
    this.gl.setClearColor(0x000000, 0);
    this.gl.clear(true, true, false);
    for (const item of items) this.drawItem(view, item);

    this.gl.setRenderTarget(null);
    this.gl.setViewport(0, 0, width, height);
    const { uniforms } = this.ink;
    [uniforms.tone.value, uniforms.form.value] = target.textures;
    uniforms.depth.value = target.depthTexture;
    uniforms.fine.value = fine;
    uniforms.jump.value = 0.003 / view.grown;
    uniforms.room.value.set(width * fine, height * fine);
    uniforms.paper.value.fromArray(view.tones.paper);
    uniforms.ink.value.fromArray(view.tones.ink);
    this.gl.render(this.inkScene, this.camera);
  }

  /** Wait until everything is drawn: one pixel is read. */
  finish() {
    this.gl.getContext().readPixels(0, 0, 1, 1, 6408, 5121, new Uint8Array(4)); // RGBA, bytes
  }

  drawItem(view, item) {
    const { solid } = item;
    const material = this.material(solid.kind, Boolean(solid.tagged), Boolean(solid.faced));
    const u = material.uniforms;
    u.turn.value.set(...(item.turn || EVERY_WAY));
    u.shift.value.fromArray(item.shift || [0, 0, 0]);
    u.looked.value.set(...view.axes.flat());
    u.middle.value.fromArray(view.middle);
    u.fit.value.fromArray(view.fit);
    u.deep.value = view.deep;
    u.glass.value = item.glass ? 1 : 0;
    u.tinted.value = item.looks ? 1 : 0;
    u.looks.value = item.looks || this.blank;
    u.hot.value = item.hot || 0;
    u.chosen.value = item.chosen || 0;
    u.cut.value = item.cut ?? NO_CUT;
    u.section.value.set(...(view.section || NO_SECTION));
    u.limited.value = item.pastLimit === undefined ? 0 : 1;
    u.pastLimit.value = item.pastLimit ?? -2;
    u.bedBand.value = item.bedBand ?? 0;
    u.plain.value.fromArray(item.plain);
    u.accent.value.fromArray(view.accent);
    u.showTone.value.fromArray(view.tones.show);
    u.avoidTone.value.fromArray(view.tones.avoid);
    u.marks.value = solid.texture || this.unmarked;
    material.polygonOffsetFactor = view.turning ? -3 : -1;
    material.polygonOffsetUnits = view.turning ? -60 : -4;
    material.uniformsNeedUpdate = true;
    // while it is turned a thinner mesh stands in
    const thin = view.turning && solid.thin && !solid.faced;
    const geometry = thin ? solid.thin : solid.geometry;
    const scene = (this.scene ||= new Scene());
    const mesh = (this.mesh ||= new Mesh());
    mesh.frustumCulled = false;
    if (!mesh.parent) scene.add(mesh);
    mesh.geometry = geometry;
    mesh.material = material;
    this.gl.render(scene, this.camera);
  }

  /** What was drawn in a box of the last figure (pixels from its top left): [{ kind, id }] row by row. */
  read(x, y, width = 1, height = 1) {
    const fine = this.fine, across = width * fine, down = height * fine;
    const bytes = new Uint8Array(4 * across * down);
    const bottom = (this.drawn.height - y - height) * fine;
    this.gl.readRenderTargetPixels(this.target, x * fine, bottom, across, down, bytes, undefined, 2);
    return { bytes, across, down };
  }
}

let shared = null;

/** The page's one renderer, or null where WebGL 2 is missing. */
export function renderer() {
  if (shared === null) {
    try {
      shared = new Renderer();
    } catch {
      shared = false;
    }
  }
  return shared || null;
}
