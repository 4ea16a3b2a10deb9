// The frame that is looked at, the event's box, and regions to be drawn.

import { make } from "./words.js";

const SVG = "http://www.w3.org/2000/svg";
const AHEAD = 4;

export class Stage {
  constructor({ onRegion, onShown, onTrouble }) {
    this.onRegion = onRegion;
    this.onShown = onShown;
    this.onTrouble = onTrouble;
    this.image = make("img", { alt: "", draggable: "false" });
    this.over = document.createElementNS(SVG, "svg");
    this.over.setAttribute("preserveAspectRatio", "none");
    this.over.setAttribute("aria-hidden", "true");
    this.film = make("div", { class: "film" }, this.image, this.over);
    this.element = make("div", { class: "screen", role: "group", tabindex: -1, "aria-label": "Frame" }, this.film);
    this.cache = new Map();
    this.watch = new ResizeObserver(() => this.fit());
    this.watch.observe(this.element);
    this.element.addEventListener("pointerdown", (press) => this.begin(press));
  }

  close() {
    this.watch.disconnect();
  }

  setTake(take, event, stretched) {
    const key = `${take.id}/${event.number}/${stretched}/${take.version}`;
    if (key !== this.key) this.cache.clear();
    this.key = key;
    this.take = take;
    this.event = event;
    this.stretched = stretched;
    const [rows, cols] = take.shape;
    this.over.setAttribute("viewBox", `0 0 ${cols} ${rows}`);
    this.drawOver();
    this.fit();
  }

  address(frame) {
    const tones = this.stretched ? `&event=${this.event.number}` : "";
    return `/api/takes/${this.take.id}/frames/${frame}?v=${this.take.version}${tones}`;
  }

  // Show a frame; of several asked for in haste the last one stays.
  async show(frame, words) {
    this.frame = frame;
    const key = this.key;
    try {
      const loaded = await this.loaded(frame);
      if (this.frame !== frame || this.key !== key) return false;
      this.image.src = loaded.src;
      this.image.alt = words;
      this.image.dataset.frame = frame;
      this.drawOver();
      this.ahead(frame);
      this.onShown(frame);
      return true;
    } catch {
      if (this.frame === frame && this.key === key) await this.say(frame);
      return false;
    }
  }

  async say(frame) {
    const response = await fetch(this.address(frame)).catch(() => null);
    this.onTrouble(response && !response.ok ? await response.text() : `frame ${frame} cannot be shown`);
  }

  loaded(frame) {
    if (!this.cache.has(frame)) {
      const image = new Image();
      image.src = this.address(frame);
      const done = image.decode().then(() => image);
      done.catch(() => this.cache.delete(frame));
      this.cache.set(frame, done);
      if (this.cache.size > 80) this.cache.delete(this.cache.keys().next().value);
    }
    return this.cache.get(frame);
  }

  ahead(frame) {
    const step = Math.sign(frame - (this.last ?? frame)) || 1;
    this.last = frame;
    const [first, last] = this.take.frames;
    for (let k = 1; k <= AHEAD; k += 1) {
      const next = frame + k * step;
      if (next >= first && next <= last) this.loaded(next).catch(() => {});
    }
  }

  fit() {
    if (!this.take) return;
    const [rows, cols] = this.take.shape;
    const scale = this.actual
      ? 1
      : Math.min(this.element.clientWidth / cols, this.element.clientHeight / rows);
    this.film.style.width = `${cols * scale}px`;
    this.film.style.height = `${rows * scale}px`;
    this.image.classList.toggle("enlarged", scale > 1);
  }

  setActual(actual) {
    this.actual = actual;
    this.element.classList.toggle("actual", actual);
    this.fit();
  }

  rect(box, name) {
    const rect = document.createElementNS(SVG, "rect");
    ["x", "y", "width", "height"].forEach((side, k) => rect.setAttribute(side, box[k]));
    rect.setAttribute("class", name);
    return rect;
  }

  drawOver() {
    if (!this.take) return;
    const boxes = this.take.regions.map((one) => this.rect([one.x, one.y, one.width, one.height], one.role));
    const [rows, cols] = this.take.shape;
    const [x, y, width, height] = this.event.box;
    const inside = this.frame >= this.event.onset && this.frame <= this.event.end;
    if (inside && width * height < 0.9 * rows * cols) boxes.push(this.rect([x, y, width, height], "box"));
    this.over.replaceChildren(...boxes);
  }

  // Let the next drag draw a region of this role; null ends it.
  draw(role) {
    this.role = role;
    this.element.classList.toggle("draws", Boolean(role));
    if (role) this.element.focus();
  }

  begin(press) {
    if (!this.role || press.button) return;
    press.preventDefault();
    this.element.setPointerCapture(press.pointerId);
    const start = this.pixel(press);
    const rect = this.rect([0, 0, 0, 0], "drawn");
    this.over.append(rect);
    let box = null;
    const moved = (move) => {
      const end = this.pixel(move);
      box = [0, 1].map((k) => Math.min(start[k], end[k])).concat([0, 1].map((k) => Math.abs(start[k] - end[k])));
      ["x", "y", "width", "height"].forEach((side, k) => rect.setAttribute(side, box[k]));
    };
    const ended = () => {
      this.element.removeEventListener("pointermove", moved);
      rect.remove();
      const role = this.role;
      if (box && box[2] > 0 && box[3] > 0) this.onRegion({ role, x: box[0], y: box[1], width: box[2], height: box[3] });
    };
    this.element.addEventListener("pointermove", moved);
    this.element.addEventListener("pointerup", ended, { once: true });
    this.element.addEventListener("pointercancel", ended, { once: true });
  }

  // Whole pixels of the picture under a pointer.
  pixel(press) {
    const area = this.film.getBoundingClientRect();
    const [rows, cols] = this.take.shape;
    const part = (at, start, size, most) => Math.min(Math.max(Math.round(((at - start) / size) * most), 0), most);
    return [part(press.clientX, area.left, area.width, cols), part(press.clientY, area.top, area.height, rows)];
  }
}
