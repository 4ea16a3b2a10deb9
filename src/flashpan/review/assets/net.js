// Asking the server, and the state that it gives back.

let night = null;
let tasks = [];
const listeners = new Set();

export const current = () => night;
export const currentTasks = () => tasks;
export const listen = (listener) => listeners.add(listener);
const tell = () => listeners.forEach((listener) => listener(night));

export class Refused extends Error {}

async function answered(response) {
  if (!response.ok) throw new Refused(await response.text());
  return response.json();
}

async function ask(path, more) {
  try {
    return await answered(await fetch(path, more));
  } catch (error) {
    if (error instanceof Refused) throw error;
    throw new Refused("The server does not answer; is flashpan review still running?");
  }
}

export const get = (path) => ask(path);

export async function load() {
  night = await get("/api/night");
  tell();
}

export async function change(path, body = {}) {
  const answer = await ask(path, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(body),
  });
  night = answer.night;
  tell();
  return answer.result;
}

let polling = false;

// Look after tasks while there are any.
export async function watchTasks(onEnd) {
  if (polling) return;
  polling = true;
  try {
    for (;;) {
      const before = new Map(tasks.map((task) => [task.id, task.state]));
      tasks = await get("/api/tasks");
      const ended = tasks.filter(
        (task) => ["done", "failed"].includes(task.state) && before.get(task.id) !== task.state,
      );
      if (ended.length) await load();
      tell();
      ended.forEach(onEnd);
      if (!tasks.some((task) => ["waiting", "at work"].includes(task.state))) return;
      await new Promise((resolve) => setTimeout(resolve, 400));
    }
  } finally {
    polling = false;
  }
}

export const takeOf = (id) => night?.takes.find((take) => take.id === id);
