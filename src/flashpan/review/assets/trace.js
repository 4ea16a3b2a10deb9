// The scores of a take over its frames, with the handles of a range.

import { get } from "./net.js";
import { counted, make } from "./words.js";

const LINES = ["#f4f0e8", "#8fd7c0", "#e3b7ff", "#ffa391"];

export class Trace {
  constructor({ onFrame, onRange }) {
    this.onFrame = onFrame;
    this.onRange = onRange;
    this.canvas = make("canvas", { "aria-hidden": "true" });
    this.handles = ["in", "out"].map((word, side) => this.handle(word, side));
    this.lanes = make("div", { class: "lanes" }, this.canvas, ...this.handles);
    this.words = make("p", { class: "lesser" });
    const tool = (text, label, work) => make("button", { type: "button", "aria-label": label, onclick: work }, text);
    this.element = make(
      "section",
      { class: "trace", "aria-label": "Scores and range" },
      make(
        "div",
        { class: "trace-tools" },
        tool("nearer +", "Scores nearer", () => this.zoom(0.5)),
        tool("farther -", "Scores farther", () => this.zoom(2)),
        tool("all 0", "Scores of the whole take", () => this.all()),
        tool("event", "Scores around the event", () => this.around()),
        this.words,
      ),
      this.lanes,
    );
    this.lanes.addEventListener("pointerdown", (press) => this.pointed(press));
    this.lanes.addEventListener("wheel", (turn) => this.turned(turn), { passive: false });
    this.watch = new ResizeObserver(() => this.resized());
    this.watch.observe(this.lanes);
  }

  close() {
    this.watch.disconnect();
  }

  show(take, event, range) {
    const isNew = !this.take || this.take.id !== take.id || this.event?.number !== event.number || this.take.version !== take.version;
    this.take = take;
    this.event = event;
    this.range = range && { ...range, wanted: [...range.wanted] };
    if (isNew) this.around();
    else this.draw();
  }

  setFrame(frame) {
    this.frame = frame;
    if (this.view && (frame < this.view[0] || frame > this.view[1])) {
      const width = this.view[1] - this.view[0];
      this.look(frame - width / 2, frame + width / 2);
    } else {
      this.draw();
    }
  }

  around() {
    const first = Math.min(this.event.onset, this.range?.wanted[0] ?? this.event.onset);
    const last = Math.max(this.event.end, this.range?.wanted[1] ?? this.event.end);
    const more = Math.max(20, (last - first) * 0.25);
    this.look(first - more, last + more);
  }

  all() {
    this.look(this.take.frames[0], this.take.frames[1]);
  }

  zoom(factor, about = this.frame ?? this.event.onset) {
    const [first, last] = this.view;
    this.look(about - (about - first) * factor, about + (last - about) * factor);
  }

  look(first, last) {
    const [lowest, highest] = this.take.frames;
    const width = Math.min(Math.max(last - first, 8), Math.max(8, highest - lowest));
    const start = Math.min(Math.max(first, lowest), Math.max(lowest, highest - width));
    this.view = [start, start + width];
    this.draw();
    clearTimeout(this.asking);
    this.asking = setTimeout(() => this.fetch(), this.data ? 60 : 0);
  }

  async fetch() {
    const { take, view } = this;
    const width = Math.max(200, Math.round(this.lanes.clientWidth));
    const [first, last] = [Math.max(0, Math.floor(view[0]) - 1), Math.ceil(view[1]) + 1];
    try {
      const data = await get(`/api/takes/${take.id}/scores?first=${first}&last=${last}&columns=${width}`);
      if (take !== this.take && take.id !== this.take.id) return;
      this.data = data;
      this.refusal = "";
    } catch (error) {
      this.data = null;
      this.refusal = error.message;
    }
    this.draw();
  }

  resized() {
    const scale = window.devicePixelRatio || 1;
    this.canvas.width = Math.round(this.lanes.clientWidth * scale);
    this.canvas.height = Math.round(this.lanes.clientHeight * scale);
    if (this.view) this.look(...this.view);
  }

  x(frame) {
    return ((frame - this.view[0]) / (this.view[1] - this.view[0])) * this.lanes.clientWidth;
  }

  frameAt(x) {
    const frame = this.view[0] + (x / this.lanes.clientWidth) * (this.view[1] - this.view[0]);
    return this.clamped(Math.round(frame));
  }

  clamped(frame) {
    return Math.min(Math.max(frame, this.take.frames[0]), this.take.frames[1]);
  }

  draw() {
    if (!this.view || !this.canvas.width) return;
    const pen = this.canvas.getContext("2d");
    const scale = this.canvas.width / this.lanes.clientWidth;
    pen.setTransform(scale, 0, 0, scale, 0, 0);
    const [width, height] = [this.lanes.clientWidth, this.lanes.clientHeight];
    pen.clearRect(0, 0, width, height);
    this.shade(pen, height);
    if (this.data) this.drawLanes(pen, height);
    if (this.frame !== undefined) this.line(pen, this.frame, height, "#ffc24d", 2);
    this.place();
    const span = `frames ${Math.round(this.view[0])} to ${Math.round(this.view[1])}`;
    this.words.textContent = this.refusal || `${span}; dashed: what opens an event; bright: the event; light: kept`;
  }

  shade(pen, height) {
    const band = (first, last, colour) => {
      pen.fillStyle = colour;
      pen.fillRect(this.x(first - 0.5), 0, this.x(last + 0.5) - this.x(first - 0.5), height);
    };
    this.take.ranges.forEach((range) => {
      const own = range.number === this.range?.number ? this.range : range;
      band(own.wanted[0], own.wanted[1], "rgba(244, 240, 232, .10)");
    });
    this.take.events.forEach((event) => {
      band(event.onset, event.end, event.number === this.event.number ? "rgba(255, 194, 77, .26)" : "rgba(255, 194, 77, .12)");
    });
  }

  line(pen, frame, height, colour, width) {
    pen.fillStyle = colour;
    pen.fillRect(this.x(frame) - width / 2, 0, width, height);
  }

  drawLanes(pen, height) {
    const n = this.data.detectors.length;
    const lane = height / n;
    this.data.detectors.forEach((name, k) => {
      const bottom = (k + 1) * lane - 2;
      const rows = ["low", "high", "threshold"].map((part) => this.data[part][k]);
      const top = Math.max(2, ...rows[1].map((value, j) => this.tall(value, rows[2][j])));
      const y = (value, limit) => bottom - (this.tall(value, limit) / top) * (lane - 6);
      pen.strokeStyle = "rgba(189, 181, 168, .35)";
      pen.lineWidth = 1;
      pen.strokeRect(-1, k * lane, this.lanes.clientWidth + 2, lane);
      pen.strokeStyle = LINES[k % LINES.length];
      pen.beginPath();
      this.data.first.forEach((first, j) => {
        const x = this.x((first + this.data.last[j]) / 2);
        pen.lineTo(x, y(rows[0][j], rows[2][j]));
        pen.lineTo(x, y(rows[1][j], rows[2][j]));
      });
      pen.stroke();
      pen.setLineDash([5, 5]);
      pen.strokeStyle = "#ffc24d";
      pen.beginPath();
      pen.moveTo(0, bottom - (lane - 6) / top);
      pen.lineTo(this.lanes.clientWidth, bottom - (lane - 6) / top);
      pen.stroke();
      pen.setLineDash([]);
      pen.font = '12px "DejaVu Sans", Verdana, sans-serif';
      pen.fillStyle = "#141311";
      pen.fillRect(4, k * lane + 2, pen.measureText(name).width + 8, 15);
      pen.fillStyle = LINES[k % LINES.length];
      pen.fillText(name, 8, k * lane + 14);
    });
  }

  // Height of a score: linear up to its threshold (1), logarithmic above.
  tall(value, limit) {
    if (value === null || !limit) return 0;
    const part = Math.max(value / limit, 0);
    return part <= 1 ? part : 1 + Math.log10(part);
  }

  handle(word, side) {
    const handle = make("div", {
      class: `handle ${word}`,
      role: "slider",
      tabindex: 0,
      "data-word": word,
      "aria-label": word === "in" ? "In: first frame kept" : "Out: last frame kept",
    });
    handle.addEventListener("pointerdown", (press) => this.drag(press, handle, side));
    handle.addEventListener("keydown", (press) => this.nudge(press, side));
    return handle;
  }

  place() {
    this.handles.forEach((handle, side) => {
      const frame = this.range?.wanted[side];
      const inView = frame !== undefined && frame >= this.view[0] - 0.5 && frame <= this.view[1] + 0.5;
      handle.hidden = !inView;
      if (!inView) return;
      handle.style.left = `${this.x(frame + (side ? 0.5 : -0.5))}px`;
      handle.setAttribute("aria-valuemin", this.take.frames[0]);
      handle.setAttribute("aria-valuemax", this.take.frames[1]);
      handle.setAttribute("aria-valuenow", frame);
      handle.setAttribute("aria-valuetext", `frame ${frame}, ${counted(this.range.wanted[1] - this.range.wanted[0] + 1, "frame")} kept`);
    });
  }

  move(side, frame) {
    const wanted = this.range.wanted;
    wanted[side] = side ? Math.max(this.clamped(frame), wanted[0]) : Math.min(this.clamped(frame), wanted[1]);
    this.draw();
    this.onFrame(wanted[side]);
  }

  drag(press, handle, side) {
    press.preventDefault();
    press.stopPropagation();
    handle.focus();
    handle.setPointerCapture(press.pointerId);
    const left = this.lanes.getBoundingClientRect().left;
    const began = this.range.wanted[side];
    const grip = press.clientX - left - this.x(began + (side ? 0.5 : -0.5));
    const moved = (move) => this.move(side, this.frameAt(move.clientX - left - grip + (side ? -1 : 1) * this.half()));
    const ended = () => {
      handle.removeEventListener("pointermove", moved);
      if (this.range.wanted[side] !== began) this.onRange(this.range.number, ...this.range.wanted);
    };
    handle.addEventListener("pointermove", moved);
    handle.addEventListener("pointerup", ended, { once: true });
    handle.addEventListener("pointercancel", ended, { once: true });
  }

  half() {
    return (this.lanes.clientWidth / (this.view[1] - this.view[0])) * 0.5;
  }

  nudge(press, side) {
    const steps = { ArrowLeft: -1, ArrowRight: 1, PageDown: -10, PageUp: 10 };
    const step = steps[press.key];
    if (!step) return;
    press.preventDefault();
    press.stopPropagation();
    this.move(side, this.range.wanted[side] + step * (press.shiftKey ? 10 : 1));
    clearTimeout(this.saving);
    const [number, ...wanted] = [this.range.number, ...this.range.wanted];
    this.saving = setTimeout(() => this.onRange(number, ...wanted), 350);
  }

  pointed(press) {
    const left = this.lanes.getBoundingClientRect().left;
    const to = (move) => this.onFrame(this.frameAt(move.clientX - left));
    to(press);
    this.lanes.setPointerCapture(press.pointerId);
    this.lanes.addEventListener("pointermove", to);
    const ended = () => this.lanes.removeEventListener("pointermove", to);
    this.lanes.addEventListener("pointerup", ended, { once: true });
    this.lanes.addEventListener("pointercancel", ended, { once: true });
  }

  turned(turn) {
    turn.preventDefault();
    const x = turn.clientX - this.lanes.getBoundingClientRect().left;
    this.zoom(turn.deltaY > 0 ? 1.25 : 0.8, this.frameAt(x));
  }
}
