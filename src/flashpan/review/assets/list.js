// The list: takes and their events, sorted and filtered.

import { current } from "./net.js";
import { counted, isEdited, isToCut, length, lasting, make, realTime, strength } from "./words.js";

const chosen = { sort: "time", kind: "", state: "", least: "" };
const STATES = { "": "all", open: "not judged", circled: "circled", rejected: "rejected" };
const SORTS = { time: "time", strength: "strength", kind: "kind", state: "state" };
let at = null;

const keyOf = (take, event) => `${take.id}/${event.number}`;
export const addressOf = (take, event) => `#/take/${take.id}/event/${event.number}`;

// Events in the order in which they are shown.
export function shownEvents(night) {
  const pairs = night.takes.flatMap((take) => take.events.map((event) => ({ take, event })));
  const kept = pairs.filter(({ event }) => isShown(event));
  const orders = {
    time: () => 0,
    strength: (a, b) => b.event.strength - a.event.strength,
    kind: (a, b) => a.event.kind.localeCompare(b.event.kind),
    state: (a, b) => stateOrder(a.event) - stateOrder(b.event),
  };
  return kept.sort(orders[chosen.sort]);
}

const stateOrder = (event) => ["circled", null, "rejected"].indexOf(event.mark);

function isShown(event) {
  if (chosen.kind && event.kind !== chosen.kind) return false;
  if (chosen.state === "open" && event.mark) return false;
  if (["circled", "rejected"].includes(chosen.state) && event.mark !== chosen.state) return false;
  return !(chosen.least && event.strength < Number(chosen.least));
}

export function showList(main, actions) {
  const rows = make("div", { id: "rows" });
  const count = make("p", { role: "status" });
  const fill = () => fillRows(rows, count, actions);
  main.replaceChildren(filters(fill, count), rows);
  fill();
  if (at) focusRow(at);
  return { update: fill, key: (event) => onKey(event, actions) };
}

function filters(fill, count) {
  const kinds = [...new Set(current().takes.flatMap((take) => take.events.map((e) => e.kind)))];
  const on = (name) => (event) => {
    chosen[name] = event.target.value;
    fill();
  };
  return make(
    "form",
    { class: "filters", "aria-label": "Which events", onsubmit: (event) => event.preventDefault() },
    choice("Sort by", "sort", SORTS, on("sort")),
    choice("Kind", "kind", { "": "all", ...Object.fromEntries(kinds.sort().map((k) => [k, k])) }, on("kind")),
    choice("State", "state", STATES, on("state")),
    make(
      "label",
      {},
      "Strength from",
      make("input", { type: "number", min: 0, step: "any", value: chosen.least, oninput: on("least") }),
    ),
    count,
  );
}

function choice(word, name, values, onchange) {
  const options = Object.entries(values).map(([value, text]) =>
    make("option", { value, selected: chosen[name] === value }, text),
  );
  return make("label", {}, word, make("select", { onchange, name }, ...options));
}

function fillRows(rows, count, actions) {
  const night = current();
  const focused = document.activeElement?.closest?.("[data-key]");
  const place = focused && [focused.dataset.key, document.activeElement.dataset.part];
  const pairs = shownEvents(night);
  const total = night.takes.reduce((sum, take) => sum + take.events.length, 0);
  count.textContent = `${pairs.length} of ${counted(total, "event")}`;
  rows.replaceChildren(...(chosen.sort === "time" ? byTake(night, pairs, actions) : flat(pairs, actions)));
  if (place) focusRow(place[0], place[1]);
}

function byTake(night, pairs, actions) {
  return night.takes.flatMap((take) => {
    const own = pairs.filter((pair) => pair.take === take);
    if (!own.length && take.events.length) return [];
    return [takeRow(take), ...own.map(({ event }) => eventRow(take, event, actions))];
  });
}

const flat = (pairs, actions) =>
  pairs.map(({ take, event }) => eventRow(take, event, actions, take.place));

function takeRow(take) {
  const nothing = take.state === "done" && !take.events.length ? "; nothing was found" : "";
  const gone = { clips: "; the take is gone, its clips are shown", none: "; no frames to be had" };
  const state = take.state === "done" ? "" : take.state === "failed" ? "" : `; ${take.state}`;
  return make(
    "section",
    { class: "take-row" },
    make("h2", {}, take.place),
    make("p", {}, [take.when, take.line].filter(Boolean).join("; ") + nothing + state + (take.line ? gone[take.source] ?? "" : "")),
    take.error ? make("p", { class: "failed" }, take.error) : null,
  );
}

function eventRow(take, event, actions, place = "") {
  const range = take.ranges.find((one) => one.number === event.range);
  const name = `event ${event.number} of ${take.name}`;
  const mark = (value, word) =>
    make(
      "button",
      {
        type: "button",
        "data-part": value,
        "aria-pressed": String(event.mark === value),
        "aria-label": `${word} ${name}`,
        onclick: () => actions.mark(take, event, value),
      },
      word,
    );
  return make(
    "article",
    { class: `row ${event.mark ?? ""}`, "data-key": keyOf(take, event), "aria-label": name },
    make(
      "a",
      {
        class: "row-number",
        href: addressOf(take, event),
        "data-part": "open",
        "aria-label": `Open ${name}${event.mark ? `, ${event.mark}` : ""}`,
      },
      String(event.number),
    ),
    make("a", { class: "row-strip", href: addressOf(take, event), tabindex: -1, "aria-hidden": "true" }, ...pictures(take, event)),
    make(
      "div",
      { class: "row-words" },
      place ? make("p", {}, place) : null,
      make("p", {}, make("b", {}, event.kind), ` strength ${strength(event.strength)}`),
      make(
        "p",
        { class: "lesser" },
        `onset ${event.onset} (${realTime(event.onset, take)}), ${[counted(length(event), "frame"), lasting(length(event), take)].filter(Boolean).join(", ")}`,
      ),
      range ? make("p", { class: "lesser" }, rangeWords(range)) : null,
      event.note ? make("p", { class: "note" }, event.note) : null,
    ),
    make("div", { class: "row-tools" }, mark("circled", "Circle"), mark("rejected", "Reject")),
  );
}

function rangeWords(range) {
  const [first, last] = range.wanted;
  const edited = isEdited(range) ? ", moved by you" : "";
  return `keep ${first} to ${last}${edited}${isToCut(range) ? ", to be cut" : ""}`;
}

// Before, onset, peak and after, as on the sheet of the night.
function pictures(take, event) {
  const wanted = [...event.strip.keys()];
  const score = ([frame, role]) =>
    ["peak", "onset", "after", "before", "end", "through"].indexOf(role) +
    Math.min(Math.abs(frame - event.onset), Math.abs(frame - event.end)) / 1e9;
  const few = wanted.sort((a, b) => score(event.strip[a]) - score(event.strip[b]));
  const seen = new Set();
  const picked = few.filter((k) => {
    const role = event.strip[k][1];
    return role === "through" || (!seen.has(role) && seen.add(role));
  });
  return picked
    .slice(0, 4)
    .sort((a, b) => a - b)
    .map((k) =>
      make("img", {
        src: `/api/takes/${take.id}/events/${event.number}/strip/${k}?v=${take.version}`,
        alt: "",
        loading: "lazy",
        width: take.shape?.[1] ?? 4,
        height: take.shape?.[0] ?? 3,
      }),
    );
}

function focusRow(key, part = "open") {
  const row = document.querySelector(`[data-key="${CSS.escape(key)}"]`);
  const target = row?.querySelector(`[data-part="${part ?? "open"}"]`);
  target?.focus();
  return Boolean(target);
}

export function remember(take, event) {
  at = keyOf(take, event);
}

function onKey(press, actions) {
  const rows = [...document.querySelectorAll("#rows [data-key]")];
  const here = rows.indexOf(document.activeElement?.closest?.("[data-key]"));
  const row = rows[here];
  if (press.key === "ArrowDown" || press.key === "ArrowUp") {
    const next = here < 0 ? 0 : here + (press.key === "ArrowDown" ? 1 : -1);
    const to = rows[Math.min(Math.max(next, 0), rows.length - 1)];
    if (to) focusRow(to.dataset.key);
    return true;
  }
  const marks = { c: "circled", r: "rejected" };
  const value = marks[press.key.toLowerCase()];
  if (!row || !value) return false;
  const [takeId, number] = row.dataset.key.split("/").map(Number);
  const take = current().takes.find((one) => one.id === takeId);
  actions.mark(take, take.events.find((one) => one.number === number), value);
  return true;
}
