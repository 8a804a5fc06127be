// Alarms: which there are, what to do, and what may be requested.

import { $, el, fill, timeText, words } from "./dom.js";

const IN_VIEW = new Set(["unacknowledged", "acknowledged", "returned", "latched_unacknowledged", "latched"]);
const UNACKNOWLEDGED = new Set(["unacknowledged", "returned", "latched_unacknowledged"]);
const STATES = {
  unacknowledged: "▲ Active, nobody has acknowledged it",
  acknowledged: "■ Active, acknowledged",
  returned: "▽ No longer active, nobody has acknowledged it",
  latched_unacknowledged: "▽ No longer active, has to be acknowledged and reset",
  latched: "□ No longer active, has to be reset",
  shelved: "Shelved", suppressed_by_design: "Suppressed by design", out_of_service: "Out of service",
};
const PRIORITY = { high: 0, medium: 1, low: 2 };

export function showAlarms(status, people) {
  const details = [...status.alarm_details].sort((a, b) => PRIORITY[a.priority] - PRIORITY[b.priority]);
  const shown = details.filter((alarm) => IN_VIEW.has(alarm.state));
  const hidden = details.filter((alarm) => !IN_VIEW.has(alarm.state) && (alarm.active || alarm.by));
  $("alarms").classList.toggle("any", shown.length > 0);
  fill($("alarm-list"), ...(shown.length ? shown.map((alarm) => one(alarm, people)) : [el("li", {}, "● None")]));
  fill($("hidden-alarms"), hidden.length ? el("h3", {}, "Out of view") : null,
    hidden.length ? el("ul", { class: "reasons" }, ...hidden.map((alarm) => out(alarm, people))) : null);
}

function one(alarm, people) {
  const gone = !alarm.active;
  return el("li", { class: gone ? "gone" : "active" },
    el("strong", {}, alarm.title),
    el("p", { class: "what" }, `${STATES[alarm.state] ?? words(alarm.state)}; priority ${alarm.priority}; since ${timeText(alarm.since)}`),
    el("p", { class: "sentence" }, `${alarm.reason}.`),
    el("p", { class: "deed" }, `To do: ${alarm.action}`),
    el("details", { "data-key": `why-${alarm.alarm}` }, el("summary", {}, "What it means"),
      el("p", {}, alarm.consequence), el("p", {}, "Likely causes:"),
      el("ul", { class: "causes" }, ...alarm.causes.map((cause) => el("li", {}, cause)))),
    buttons(alarm, people));
}

function button(people, name, text, alarm, confirmation) {
  if (!people.may(name)) return null;
  const label = `${text}: ${alarm.title}`;
  return el("button", { type: "button", "data-key": `${name}-${alarm.alarm}`, "data-request": name,
    "data-alarm": alarm.alarm, "aria-label": label, onclick: () => act(people, name, alarm, confirmation) }, text);
}

function act(people, name, alarm, confirmation) {
  if (confirmation) people.confirmFirst({ request: name, alarm: alarm.alarm }, confirmation);
  else people.request({ request: name, alarm: alarm.alarm });
}

function buttons(alarm, people) {
  const offered = [
    UNACKNOWLEDGED.has(alarm.state) ? button(people, "acknowledge", "Acknowledge", alarm) : null,
    alarm.state === "latched" ? button(people, "reset", "Reset", alarm) : null,
    button(people, "shelve", "Shelve", alarm, { title: `Shelve: ${alarm.title}`, text: "It will not be shown until the time is over.", why: true, time: true, done: "Shelve it" }),
    button(people, "out_of_service", "Out of service", alarm, { title: `Out of service: ${alarm.title}`, text: "It will not be shown until somebody puts it back.", why: true, done: "Take it out" }),
  ].filter(Boolean);
  return offered.length ? el("div", { class: "buttons" }, ...offered) : null;
}

function out(alarm, people) {
  const who = alarm.by ? ` by ${alarm.by}: ${alarm.why ?? ""}` : "";
  const until = alarm.shelved_until ? `, until ${timeText(alarm.shelved_until)}` : "";
  const back = alarm.state === "shelved" ? button(people, "unshelve", "Unshelve", alarm)
    : alarm.state === "out_of_service" ? button(people, "in_service", "Put back", alarm) : null;
  return el("li", {}, `${STATES[alarm.state]}: ${alarm.title}${who}${until}; ${alarm.active ? "it is active" : "it is not active"} `, back);
}
