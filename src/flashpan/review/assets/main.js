// Which page is shown, what keys do everywhere, and what is said.

import { change, current, listen, load, Refused, takeOf, watchTasks } from "./net.js";
import { addressOf, showList } from "./list.js";
import { showEvent } from "./event.js";
import { counted, make } from "./words.js";

const main = document.getElementById("main");
const [said, trouble, undo, redo, help, keys] = ["said", "trouble", "undo", "redo", "help", "keys"].map((id) =>
  document.getElementById(id),
);
let page = null;

const say = (text) => {
  said.replaceChildren(make("span", {}, text));
  clearTimeout(say.timer);
  say.timer = setTimeout(() => said.replaceChildren(), 4000);
};
const complain = (text) => trouble.replaceChildren(...(text ? [make("p", {}, text)] : []));

// Do something that may be refused, and say so where it is.
async function trying(work) {
  try {
    complain("");
    return await work();
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    complain(error.message);
    await load().catch(() => {});
    return undefined;
  }
}

const ended = (task) => {
  const what = task.what === "cut" ? "Cut" : "Search";
  (task.state === "failed" ? complain : say)(`${what} ${task.state}: ${task.text}`);
};

const tasked = (path) =>
  trying(async () => {
    await change(path);
    watchTasks(ended).catch((error) => complain(error.message));
  });

const actions = {
  mark: (take, event, value) =>
    trying(async () => {
      const mark = event.mark === value ? null : value;
      await change(`/api/takes/${take.id}/events/${event.number}/mark`, { mark });
      say(mark ? `Event ${event.number} is ${mark}.` : `Event ${event.number} is not judged.`);
    }),
  note: (take, event, note) =>
    trying(async () => {
      await change(`/api/takes/${take.id}/events/${event.number}/note`, { note });
      say("The note is saved.");
    }),
  range: (take, number, first, last) =>
    trying(async () => {
      await change(`/api/takes/${take.id}/ranges/${number}`, { first, last });
      say(`Range ${number} is ${first} to ${last}.`);
    }),
  regions: (take, regions) =>
    trying(async () => {
      await change(`/api/takes/${take.id}/regions`, { regions });
      say("The regions are saved; search the take again to use them.");
    }),
  cut: (take, number) => tasked(`/api/takes/${take.id}/ranges/${number}/cut`),
  search: (take) => tasked(`/api/takes/${take.id}/search`),
  open: (take, event) => {
    location.hash = addressOf(take, event);
  },
  list: () => {
    location.hash = "#/";
  },
  trouble: complain,
  say,
};

function route() {
  const night = current();
  if (!night) return;
  page?.close?.();
  const wanted = /^#\/take\/(\d+)\/event\/(\d+)$/.exec(location.hash);
  const take = wanted && takeOf(Number(wanted[1]));
  const event = take?.events.find((one) => one.number === Number(wanted[2]));
  const name = event ? `event ${event.number} of ${take.name}` : night.name;
  document.title = `${name} - flashpan review`;
  page = event && take.shape ? showEvent(main, night, take, event, actions) : showList(main, actions);
}

function fillBar(night) {
  const events = night.takes.flatMap((take) => take.events);
  const circled = events.filter((event) => event.mark === "circled").length;
  const open = events.filter((event) => !event.mark).length;
  document.getElementById("night").textContent = night.name;
  document.getElementById("sums").textContent =
    `${counted(night.takes.length, "take")}, ${counted(events.length, "event")}: ${circled} circled, ${open} not judged`;
  [[undo, night.undo, "Undo"], [redo, night.redo, "Redo"]].forEach(([button, step, word]) => {
    button.disabled = !step;
    button.title = step ? `${word} ${step.what}` : "";
  });
}

async function again(path, word) {
  const step = path.endsWith("undo") ? current().undo : current().redo;
  if (!step) return;
  await trying(async () => {
    await change(path);
    say(`${word}: ${step.what}.`);
  });
}

function toggleHelp() {
  keys.hidden = !keys.hidden;
  help.setAttribute("aria-expanded", String(!keys.hidden));
}

function onKey(press) {
  const writes = press.target.closest?.("textarea, input, select");
  if (press.key === "Escape" && writes) {
    writes.blur();
    main.focus();
    return;
  }
  const key = press.key.toLowerCase();
  const isUndo = key === "z" && !press.altKey;
  if (writes || press.altKey || ((press.ctrlKey || press.metaKey) && !isUndo)) return;
  if (press.key === " " && press.target.closest?.("button, a, summary")) return;
  if (isUndo && !press.shiftKey) again("/api/undo", "Undone");
  else if (isUndo || key === "y") again("/api/redo", "Made again");
  else if (press.key === "?") toggleHelp();
  else if (!page?.key?.(press, current())) return;
  press.preventDefault();
}

undo.addEventListener("click", () => again("/api/undo", "Undone"));
redo.addEventListener("click", () => again("/api/redo", "Made again"));
help.addEventListener("click", toggleHelp);
document.querySelector(".skip").addEventListener("click", (press) => {
  press.preventDefault();
  main.focus();
});
window.addEventListener("hashchange", route);
window.addEventListener("keydown", onKey);
listen((night) => {
  fillBar(night);
  page?.update?.(night);
});
await trying(async () => {
  await load();
  route();
  watchTasks(ended).catch(() => {});
});
