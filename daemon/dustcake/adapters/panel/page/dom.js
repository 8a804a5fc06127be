// Making and changing elements. Text is always set as text: nothing that comes in becomes markup.

export const $ = (id) => document.getElementById(id);

export function el(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "onclick") made.addEventListener("click", value);
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value != null) made.setAttribute(key, value);
  }
  made.append(...children.filter((child) => child != null));
  return made;
}

// Replaces the children, unless they would look the same: whoever has a button in focus, or reads
// with a screen reader, is not thrown out of it by news of something else.
export function fill(parent, ...children) {
  const arriving = el("div", {}, ...children);
  const opened = new Set([...parent.querySelectorAll("details[open]")].map((one) => one.dataset.key));
  for (const one of arriving.querySelectorAll("details")) {
    if (opened.has(one.dataset.key)) one.open = true;
  }
  if (parent.innerHTML === arriving.innerHTML) return;
  const focused = parent.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  parent.replaceChildren(...arriving.childNodes);
  if (focused) parent.querySelector(`[data-key="${CSS.escape(focused)}"]`)?.focus();
}

export function say(parent, text) {
  if (parent.textContent !== text) parent.textContent = text;
}

export function pairs(parent, entries) {
  fill(parent, ...entries.flatMap(([name, text]) => [el("dt", {}, name), el("dd", {}, text)]));
}

export const words = (name) => String(name).replaceAll("_", " ");

export function timeText(utc) {
  if (!utc) return "time not known";
  const at = new Date(utc);
  const sameDay = at.toDateString() === new Date().toDateString();
  const time = at.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit" });
  return sameDay ? time : `${at.toLocaleDateString()} ${time}`;
}

export function ago(utc, now) {
  if (!utc) return "not known";
  const s = Math.max(0, (now - new Date(utc).getTime()) / 1000);
  if (s < 90) return `${Math.round(s / 5) * 5} s ago`;
  if (s < 5400) return `${Math.round(s / 60)} min ago`;
  if (s < 172800) return `${Math.round(s / 3600)} h ago`;
  return `${Math.round(s / 86400)} days ago`;
}
