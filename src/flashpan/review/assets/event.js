// One event: its frames, scores and range, and what the operator makes of it.

import { currentTasks } from "./net.js";
import { remember, shownEvents } from "./list.js";
import { Stage } from "./stage.js";
import { Trace } from "./trace.js";
import { counted, isEdited, isToCut, lasting, length, make, playbackTime, realTime, roles, strength } from "./words.js";

const ROLES = { look: "look only here", ignore: "ignore" };
let stretched = true;

export function showEvent(main, night, take, event, actions) {
  return new EventPage(main, take, event, actions);
}

class EventPage {
  constructor(main, take, event, actions) {
    this.actions = actions;
    this.stage = new Stage({
      onRegion: (region) => this.drew(region),
      onShown: () => actions.trouble(""),
      onTrouble: (text) => actions.trouble(text),
    });
    this.trace = new Trace({
      onFrame: (frame) => this.go(frame),
      onRange: (number, first, last) => actions.range(this.take, number, first, last),
    });
    this.clocks = make("dl", { class: "clocks" });
    this.side = make("aside", { class: "side", "aria-label": "This event" });
    main.replaceChildren(
      make(
        "div",
        { class: "event" },
        make("section", { class: "stage", "aria-label": "Frames" }, this.stage.element, this.clocks, this.steps()),
        this.trace.element,
        this.side,
      ),
    );
    this.set(take, event);
    this.go(take.source === "none" ? event.onset : event.peak);
    main.focus();
  }

  close() {
    this.hold();
    this.stage.close();
    this.trace.close();
  }

  set(take, event) {
    this.take = take;
    this.event = event;
    this.range = take.ranges.find((one) => one.number === event.range);
    remember(take, event);
    this.stage.setTake(take, event, stretched);
    this.trace.show(take, event, this.range);
    this.fillSide();
  }

  update(night) {
    const take = night.takes.find((one) => one.id === this.take.id);
    const event = take?.events.find((one) => one.number === this.event.number);
    if (!event) {
      this.actions.list();
      return;
    }
    const version = this.take.version;
    this.set(take, event);
    if (version !== take.version) this.go(event.peak);
  }

  go(frame) {
    const [first, last] = this.take.frames;
    this.frame = Math.min(Math.max(frame, first), last);
    this.trace.setFrame(this.frame);
    const role = roles(this.event, this.frame);
    this.fillClocks(role);
    return this.stage.show(this.frame, `Frame ${this.frame} of ${this.take.name}, ${role}`);
  }

  fillClocks(role) {
    const pair = (name, value) => make("div", {}, make("dt", {}, name), make("dd", {}, value));
    const origin = this.take.trigger_frame === null ? "frame 0" : "trigger";
    this.clocks.replaceChildren(
      pair("frame", String(this.frame)),
      pair(`real time from ${origin}`, realTime(this.frame, this.take)),
      pair("playback", playbackTime(this.frame, this.take)),
      pair("is", role),
    );
  }

  steps() {
    const step = (text, label, to) =>
      make("button", { type: "button", "aria-label": label, onclick: () => this.go(to()) }, text);
    this.run = make("button", { type: "button", "aria-pressed": "false", onclick: () => this.toggleRun() }, "Run");
    this.tones = make("button", { type: "button", "aria-pressed": String(stretched), onclick: () => this.toggleTones() }, "Stretched tones ", make("kbd", {}, "T"));
    this.actual = make("button", { type: "button", "aria-pressed": "false", onclick: () => this.toggleActual() }, "Actual pixels ", make("kbd", {}, "A"));
    return make(
      "div",
      { class: "steps", role: "group", "aria-label": "Steps" },
      step("onset", "To the onset", () => this.event.onset),
      step("-10", "Ten frames back", () => this.frame - 10),
      step("-1", "A frame back", () => this.frame - 1),
      this.run,
      step("+1", "A frame on", () => this.frame + 1),
      step("+10", "Ten frames on", () => this.frame + 10),
      step("peak", "To the peak", () => this.event.peak),
      step("end", "To the end", () => this.event.end),
      this.tones,
      this.actual,
    );
  }

  async toggleRun() {
    if (this.running) {
      this.hold();
      return;
    }
    this.running = true;
    this.run.setAttribute("aria-pressed", "true");
    this.run.textContent = "Hold";
    const [over, under] = this.take.playback_rate ?? [25, 1];
    const last = this.range?.wanted[1] ?? this.event.end;
    const first = this.range?.wanted[0] ?? this.event.onset;
    if (this.frame >= last) this.frame = first - 1;
    while (this.running && this.frame < last) {
      const next = new Promise((resolve) => setTimeout(resolve, (1000 * under) / over));
      await this.go(this.frame + 1);
      await next;
    }
    this.hold();
  }

  hold() {
    this.running = false;
    this.run.setAttribute("aria-pressed", "false");
    this.run.textContent = "Run";
  }

  toggleTones() {
    stretched = !stretched;
    this.tones.setAttribute("aria-pressed", String(stretched));
    this.stage.setTake(this.take, this.event, stretched);
    this.go(this.frame);
  }

  toggleActual() {
    const now = this.actual.getAttribute("aria-pressed") !== "true";
    this.actual.setAttribute("aria-pressed", String(now));
    this.stage.setActual(now);
  }

  fillSide() {
    const part = document.activeElement?.dataset?.part;
    const unsaved = part === "note" ? document.activeElement.value : null;
    this.side.replaceChildren(this.facts(), this.marks(unsaved), this.rangeTools(), this.regionTools());
    if (part) this.side.querySelector(`[data-part="${part}"]`)?.focus();
  }

  facts() {
    const { take, event } = this;
    const struck = event.mark === "rejected" ? " rejected-words" : "";
    return make(
      "section",
      { class: event.mark ?? "", "aria-label": "What it is" },
      make("a", { href: "#/", class: "back" }, "All events"),
      make(
        "div",
        { class: "heading" },
        make("h2", { class: `ringed${struck}` }, `event ${event.number}`),
        make("p", {}, event.mark ?? "not judged"),
      ),
      make("p", {}, make("b", {}, take.place)),
      make("p", { class: "lesser" }, take.line),
      make("p", {}, `${event.kind}, strength ${strength(event.strength)} by ${event.detector}`),
      make("p", {}, `${event.onset} to ${event.end}: ${[counted(length(event), "frame"), lasting(length(event), take)].filter(Boolean).join(", ")}`),
      make("a", { href: this.stage.address(this.frame ?? event.peak) + "&lossless=1", target: "_blank", rel: "noopener", onclick: (press) => press.currentTarget.setAttribute("href", `${this.stage.address(this.frame)}&lossless=1`) }, "This frame without loss (PNG)"),
      take.source === "take" ? null : make("p", {}, take.source === "clips" ? "The take is not there: frames come from its clips." : "Neither take nor clips are there."),
    );
  }

  marks(unsaved) {
    const { take, event } = this;
    const mark = (value, word, key) =>
      make(
        "button",
        { type: "button", "data-part": value, "aria-pressed": String(event.mark === value), "aria-keyshortcuts": key.toLowerCase(), onclick: () => this.actions.mark(take, event, value) },
        `${word} `,
        make("kbd", {}, key),
      );
    const note = make("textarea", { "data-part": "note", maxlength: 2000, rows: 2, onchange: (press) => this.actions.note(take, event, press.target.value) });
    note.value = unsaved ?? event.note;
    return make(
      "section",
      { "aria-label": "Judgement" },
      make("div", { class: "pair" }, mark("circled", "Circle", "C"), mark("rejected", "Reject", "R")),
      make("label", {}, make("span", {}, "Note ", make("kbd", {}, "N")), note),
    );
  }

  rangeTools() {
    const { take, range } = this;
    if (!range) return make("section", { "aria-label": "Range" }, make("p", {}, "No range keeps this event."));
    const input = (word, side, key) =>
      make(
        "label",
        {},
        make("span", {}, `${word} `, make("kbd", {}, key)),
        make("input", {
          type: "number",
          "data-part": word,
          min: take.frames[0],
          max: take.frames[1],
          value: range.wanted[side],
          onchange: (press) => {
            const wanted = [...range.wanted];
            wanted[side] = Math.round(Number(press.target.value));
            this.actions.range(take, range.number, ...wanted);
          },
        }),
      );
    const kept = range.wanted[1] - range.wanted[0] + 1;
    const found = isEdited(range) ? make("button", { type: "button", "data-part": "as-found", onclick: () => this.actions.range(take, range.number, ...range.found) }, "As it was found") : null;
    const clip = range.clip ? `Clip: frames ${range.clip.frames[0]} to ${range.clip.frames[1]}, ${range.clip.proof || "not proved"}.` : "There is no clip.";
    return make(
      "section",
      { "aria-label": "Range" },
      make("h3", {}, `Range ${range.number}: ${[counted(kept, "frame"), lasting(kept, take)].filter(Boolean).join(", ")}`),
      make("div", { class: "pair" }, input("In", 0, "B"), input("Out", 1, "E")),
      found,
      make("p", { class: "lesser" }, clip),
      make("button", { type: "button", "data-part": "cut", disabled: !isToCut(range) && "", onclick: () => this.cut() }, "Cut again ", make("kbd", {}, "K")),
      ...this.tasks("cut", range.number),
    );
  }

  tasks(what, number) {
    const mine = currentTasks().filter((task) => task.what === what && task.take === this.take.id && (number === null || task.range === number));
    return mine.slice(-1).map((task) => make("p", { class: `task ${task.state}` }, `${task.state}${task.text ? `: ${task.text}` : ""} (${task.seconds} s)`));
  }

  regionTools() {
    const { take } = this;
    const draw = (role, word, key) =>
      make("button", { type: "button", "data-part": `draw-${role}`, "aria-pressed": String(this.stage.role === role), onclick: () => this.draw(role) }, `${word} `, make("kbd", {}, key));
    const listed = take.regions.map((region, k) =>
      make(
        "li",
        {},
        make("span", {}, `${ROLES[region.role]} ${region.x},${region.y},${region.width},${region.height}`),
        make("button", { type: "button", "aria-label": `Take away region ${k + 1}`, onclick: () => this.actions.regions(take, take.regions.filter((_, other) => other !== k)) }, "Take away"),
      ),
    );
    return make(
      "section",
      { "aria-label": "Where to look" },
      make("h3", {}, "Where to look in this take"),
      make("div", { class: "pair" }, draw("look", "Look only", "L"), draw("ignore", "Ignore", "I")),
      this.stage.role ? make("p", {}, "Drag on the frame, or write it:") : null,
      this.stage.role ? this.written() : null,
      make("ul", {}, ...listed),
      make("button", { type: "button", "data-part": "search", disabled: !take.needs_rerun && "", onclick: () => this.actions.search(take) }, "Search this take again"),
      make("p", { class: "lesser" }, take.needs_rerun ? "Its regions are not those it was searched with." : "It was searched so."),
      ...this.tasks("search", null),
    );
  }

  // The way to a region without a pointer.
  written() {
    const field = make("input", { type: "text", "data-part": "written", placeholder: "x,y,width,height", "aria-label": "Region: x, y, width, height in pixels" });
    const add = (press) => {
      press.preventDefault();
      const [x, y, width, height] = field.value.split(",").map((side) => Math.round(Number(side)));
      this.drew({ role: this.stage.role, x, y, width, height });
    };
    return make("form", { onsubmit: add, class: "pair" }, field, make("button", { type: "submit" }, "Add"));
  }

  draw(role) {
    this.stage.draw(this.stage.role === role ? null : role);
    if (this.stage.role) this.actions.say(`Drag on the frame: ${ROLES[role]}. Esc leaves it.`);
    this.fillSide();
  }

  drew(region) {
    this.stage.draw(null);
    this.actions.regions(this.take, [...this.take.regions, region]);
  }

  cut() {
    if (this.range && isToCut(this.range)) this.actions.cut(this.take, this.range.number);
  }

  setSide(side) {
    if (!this.range) return;
    const wanted = [...this.range.wanted];
    wanted[side] = this.frame;
    if (wanted[0] > wanted[1]) {
      this.actions.trouble("In lies after out: choose another frame.");
      return;
    }
    this.actions.range(this.take, this.range.number, ...wanted);
  }

  neighbour(night, step) {
    const pairs = shownEvents(night);
    const here = pairs.findIndex((one) => one.take.id === this.take.id && one.event.number === this.event.number);
    const next = pairs[here + step];
    if (next) this.actions.open(next.take, next.event);
  }

  key(press, night) {
    const far = press.shiftKey ? 10 : 1;
    const moves = {
      ArrowLeft: () => this.go(this.frame - far),
      ArrowRight: () => this.go(this.frame + far),
      Home: () => this.go(this.event.onset),
      End: () => this.go(this.event.end),
      ArrowUp: () => this.neighbour(night, -1),
      ArrowDown: () => this.neighbour(night, 1),
      Escape: () => (this.stage.role ? this.draw(this.stage.role) : this.actions.list()),
      " ": () => this.toggleRun(),
      p: () => this.go(this.event.peak),
      c: () => this.actions.mark(this.take, this.event, "circled"),
      r: () => this.actions.mark(this.take, this.event, "rejected"),
      n: () => this.side.querySelector("textarea").focus(),
      b: () => this.setSide(0),
      e: () => this.setSide(1),
      k: () => this.cut(),
      t: () => this.toggleTones(),
      a: () => this.toggleActual(),
      l: () => this.draw("look"),
      i: () => this.draw("ignore"),
      "+": () => this.trace.zoom(0.5),
      "=": () => this.trace.zoom(0.5),
      "-": () => this.trace.zoom(2),
      0: () => this.trace.all(),
    };
    const move = moves[press.key] ?? moves[press.key.toLowerCase()];
    if (!move) return false;
    move();
    return true;
  }
}
