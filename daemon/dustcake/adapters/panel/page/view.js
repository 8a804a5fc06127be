// The parts of the page, from what the daemon sends.

import { $, ago, el, fill, pairs, say, timeText, words } from "./dom.js";

const QUALITY = {
  good: "● Reading is good", maintenance_required: "◆ Reading good, maintenance required",
  out_of_specification: "▲ Reading out of specification", function_check: "◆ Function check under way",
  failure: "▲ No valid reading",
};
const PHASES = {
  off: "Switched off", idle: "Nothing to do", waiting: "About to begin", cleaning: "Cleaning",
  held: "Held", blocked: "Blocked", resting: "Resting",
};
const MODES = { off: "Off", on_demand: "On demand", timed: "Timed" };
const MET = { yes: "✓", no: "✗", not_fitted: "–" };
const MET_WORDS = { yes: "met", no: "missing", not_fitted: "not fitted" };
const BY_NEED = { no: 0, yes: 1, not_fitted: 2 };

const value = (measured) => measured?.display ?? "no value";

export function showNow(status) {
  const dp = status.dp;
  const [number, unit] = dp.display === null ? ["–", ""] : dp.display.split(" ");
  say($("dp-value"), number);
  say($("dp-unit"), unit);
  say($("quality"), QUALITY[status.quality] ?? words(status.quality));
  $("quality").className = `quality ${status.quality === "good" ? "good" : "bad"}`;
  fill($("quality-reasons"), ...dp.reasons.map((reason) => el("li", {}, reason)));
  const points = status.set_points;
  pairs($("set-points"), [
    ["Cleaning stops at", value(points.low)], ["Cleaning starts at", value(points.high)],
    ["Filter replacement", value(points.replacement)],
  ]);
  ladder(dp, points);
}

const SVG = "http://www.w3.org/2000/svg";
function svg(name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const [key, each] of Object.entries(attributes)) made.setAttribute(key, each);
  if (text) made.textContent = text;
  return made;
}

function ladder(dp, points) {
  const top = Math.max(points.replacement.value * 1.15, dp.value ?? 0);
  const at = (pa) => Math.max(0, Math.min(400, (pa / top) * 400));
  const picture = svg("svg", { viewBox: "-4 0 408 74" });
  const low = at(points.low.value), high = at(points.high.value), last = at(points.replacement.value);
  picture.append(
    svg("rect", { class: "rail", x: 0, y: 26, width: 400, height: 18 }),
    svg("rect", { class: "between", x: low, y: 26, width: high - low, height: 18 }),
  );
  for (const [x, text, y, anchor] of [[low, "stop", 64, "end"], [high, "start", 64, "start"], [last, "replace", 64, "middle"]]) {
    picture.append(svg("line", { class: "mark", x1: x, x2: x, y1: 24, y2: 50 }));
    picture.append(svg("text", { x, y, "text-anchor": anchor }, text));
  }
  if (dp.value !== null) {
    const x = at(dp.value);
    picture.append(svg("path", { class: "at", d: `M${x} 26 l-9 -16 h18 z M${x - 1.5} 26 h3 v18 h-3 z` }));
  }
  const box = $("ladder");
  if (box.firstChild?.outerHTML !== picture.outerHTML) box.replaceChildren(picture);
}

export function showDoing(status, people) {
  say($("phase"), PHASES[status.phase] ?? words(status.phase));
  say($("why"), `Mode ${MODES[status.mode].toLowerCase()}${status.cleaning ? `, ${words(status.cleaning)} cleaning` : ""}: ${status.reason}.`);
  const needs = [...status.permissives].sort((a, b) => BY_NEED[a.met] - BY_NEED[b.met]);
  const missing = needs.filter((need) => need.met === "no");
  const rest = needs.filter((need) => need.met !== "no");
  fill($("needs"), ...(missing.length ? need_lines(missing) : [el("li", {}, "● Nothing is missing")]));
  say($("met-count"), `${rest.filter((need) => need.met === "yes").length} of ${needs.length} are met`);
  fill($("met-list"), ...need_lines(rest));
  plant(status);
  modes(status, people);
}

const need_lines = (needs) => needs.map((need) => el("li", { class: words(need.met).replace(" ", "-") },
    el("span", { class: "sign", "aria-hidden": "true" }, MET[need.met] ?? "?"),
    `${words(need.name)}: ${MET_WORDS[need.met] ?? words(need.met)}${need.reason ? `, ${need.reason}` : ""}`));

function plant(status) {
  const blower = status.blower_running;
  const entries = [["Blower", blower === null ? "not known" : blower ? "running" : "off"]];
  if (status.header) entries.push(["Header", `${value(status.header)}${status.header.quality === "good" ? "" : `, ${words(status.header.quality)}`}`]);
  if (!status.clock_set) entries.push(["Clock", "not set: records carry no time of day; control goes on"]);
  if (status.broker) entries.push(["Broker", status.broker.connected ? "connected" : `not connected: ${status.broker.cause ?? "connecting"}`]);
  pairs($("plant"), entries);
}

function modes(status, people) {
  $("modes").hidden = !people.may("mode");
  fill($("modes"), ...Object.entries(MODES).map(([mode, text]) => el("button", {
    type: "button", "data-key": mode, "data-mode": mode, class: mode === status.mode ? "chosen" : "",
    "aria-pressed": String(mode === status.mode),
    onclick: () => people.confirmFirst({ request: "mode", mode }, {
      title: `Cleaning mode: ${text}`, done: `Select ${text.toLowerCase()}`,
      text: `The mode now is ${$("modes").querySelector("[aria-pressed=true]")?.textContent.toLowerCase()}. What is selected stays through restarts.`,
    }),
  }, text)));
  const run = !status.blower_by_hand, verb = run ? "Run" : "Stop";
  const offered = [];
  if (people.may("blower") && status.blower_by_hand !== null) {
    offered.push(el("button", { type: "button", "data-key": "blower", onclick: () => people.confirmFirst({ request: "blower", run }, {
      title: `${verb} the blower`, done: `${verb} it`,
      text: run ? "See that nobody works at it, and that it is not locked out." : "Fume and dust will not be collected." }) }, `${verb} the blower`));
  }
  if (people.may("zero")) {
    offered.push(el("button", { type: "button", "data-key": "zero", onclick: () => people.confirmFirst({ request: "zero", blower_off_confirmed: true }, {
      title: "Take the zero", done: "It stands still: take the zero",
      text: "The blower must stand still, and dP must have fallen to nothing. The present reading becomes the zero." }) }, "Take the zero"));
  }
  $("blower-buttons").hidden = offered.length === 0;
  fill($("blower-buttons"), ...offered);
}

export function showRows(status) {
  const now = status.utc ? new Date(status.utc).getTime() : Date.now();
  const heads = ["Row", "Pulses", "Last pulse", "dP fell by", ...(status.header ? ["Header dipped"] : [])];
  fill($("rows-head"), el("tr", {}, ...heads.map((head) => el("th", { scope: "col" }, head))));
  fill($("rows-body"), ...status.valves.map((valve) => {
    const last = valve.valve === status.last_valve;
    return el("tr", { class: last ? "last" : "" },
      el("td", {}, `${valve.valve}${last ? " (last)" : ""}`), el("td", {}, String(valve.pulses)),
      el("td", {}, valve.last_pulse ? ago(valve.last_pulse, now) : "none known"),
      el("td", {}, share(valve.response)), status.header ? el("td", {}, share(valve.dip)) : null);
  }));
  fill($("findings"), ...status.findings.map((one) => el("li", {}, `Found: ${words(one.finding)}: ${one.reason}`)));
}

const share = (of) => (of == null ? "–" : `${(of * 100).toFixed(1)} %`);

const amount = (one, digits) => (one?.value == null ? "not known" : `${one.value.toFixed(digits)} ${one.unit}`);

export function showFilters(status) {
  const life = status.filter_life, air = status.air;
  say($("life-words"), life ? `${life.words}.` : "");
  const entries = [["Filters changed", status.filters_changed ? timeText(status.filters_changed) : "not on record"]];
  if (air) {
    entries.push(["Air today", `${amount(air.day.free_air, 2)} of free air`], ["Air in all", amount(air.total.free_air, 1)]);
    if (air.total.cost.value) entries.push(["Cost today", amount(air.day.cost, 2)], ["Cost in all", amount(air.total.cost, 2)]);
    entries.push(["Air figure", air.source === "header" ? "measured at the header" : "rated, not measured"]);
  }
  entries.push(["Pulses in all", String(status.valves.reduce((sum, valve) => sum + valve.pulses, 0))],
    ["Zero offset", value(status.zero_offset)]);
  pairs($("filters-pairs"), entries);
}

export function showUpkeep(status, people) {
  const tasks = [...status.upkeep].sort((a, b) => b.due - a.due);
  fill($("upkeep-list"), ...(tasks.length ? tasks.map((task) => el("li", {},
    el("span", { class: task.due ? "due" : "" }, `${task.due ? "▲ Due: " : "● Not due: "}${words(task.upkeep)}`),
    el("p", {}, task.text),
    el("p", { class: "small" }, task.done ? `Last done ${timeText(task.done)}` : "Never recorded"),
    people.may("record") ? el("button", { type: "button", "data-key": `upkeep-${task.upkeep}`, "aria-label": `Done: ${words(task.upkeep)}`,
      onclick: () => people.request({ request: "record", entry: "upkeep_done", upkeep: task.upkeep }) }, "Done") : null))
    : [el("li", {}, "The settings have none")]));
}

export function showLogBook(entries) {
  fill($("log-list"), ...(entries.length ? entries.map((one) => el("li", {},
    el("time", { datetime: one.utc ?? "" }, timeText(one.utc)),
    one.text)) : [el("li", {}, "Nothing yet")]));
}

export function showSettings(statements) {
  const lines = [];
  let subject = null;
  for (const each of statements) {
    if (each.subject !== subject) lines.push(el("dt", {}, each.subject));
    subject = each.subject;
    lines.push(el("dd", { class: each.caution ? "caution" : "" }, each.text));
  }
  fill($("settings-list"), ...lines);
}
