// Words and numbers as people read them: the same as on the sheets.

export function realTime(frame, take) {
  if (!take.capture_rate) return "-";
  const [over, under] = take.capture_rate;
  const seconds = ((frame - (take.trigger_frame ?? 0)) * under) / over;
  return `${seconds < 0 ? "-" : seconds > 0 ? "+" : ""}${size(Math.abs(seconds))}`;
}

export function lasting(frames, take) {
  if (!take.capture_rate) return "";
  const [over, under] = take.capture_rate;
  return size((frames * under) / over);
}

function size(seconds) {
  if (seconds === 0) return "0 s";
  if (seconds < 0.001) return `${+(seconds * 1e6).toFixed(3)} µs`;
  if (seconds < 1) return `${(seconds * 1e3).toFixed(3)} ms`;
  return `${seconds.toFixed(6)} s`;
}

export function playbackTime(frame, take) {
  if (!take.playback_rate) return "-";
  const [over, under] = take.playback_rate;
  const milliseconds = Math.round((frame * under * 1000) / over);
  const part = (divisor, modulus) => Math.floor(milliseconds / divisor) % modulus;
  const two = (number) => String(number).padStart(2, "0");
  const rest = String(milliseconds % 1000).padStart(3, "0");
  return `${Math.floor(milliseconds / 3600000)}:${two(part(60000, 60))}:${two(part(1000, 60))}.${rest}`;
}

export const counted = (number, thing) =>
  `${number.toLocaleString("en")} ${thing}${number === 1 ? "" : "s"}`;

export const strength = (value) =>
  value >= 100 ? Math.round(value).toLocaleString("en") : value.toFixed(1);

export const length = (event) => event.end - event.onset + 1;

export function roles(event, frame) {
  const at = { onset: event.onset, peak: event.peak, end: event.end };
  const names = Object.keys(at).filter((name) => at[name] === frame);
  if (names.length) return names.join(", ");
  return frame < event.onset ? "before" : frame > event.end ? "after" : "through";
}

export const isEdited = (range) =>
  range.wanted[0] !== range.found[0] || range.wanted[1] !== range.found[1];

export const isToCut = (range) =>
  !range.clip || range.clip.frames[0] !== range.wanted[0] || range.clip.frames[1] !== range.wanted[1];

// An element, its attributes and what is in it.
export function make(name, attributes = {}, ...inside) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key === "class") element.className = value;
    else if (value === true) element.setAttribute(key, "");
    else element.setAttribute(key, value);
  }
  element.append(...inside.filter((one) => one !== null && one !== undefined));
  return element;
}
