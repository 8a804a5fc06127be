// The page as a whole: what is shown, in which unit, and whether it is up to date.

import { showAlarms } from "./alarms.js";
import { $, el, fill, say, timeText } from "./dom.js";
import { People } from "./people.js";
import { SetPoints } from "./setpoints.js";
import { get, Stream } from "./talk.js";
import { followTheme, remember, remembered } from "./theme.js";
import { Trend } from "./trend.js";
import { showDoing, showFilters, showLogBook, showNow, showRows, showSettings, showUpkeep } from "./view.js";

const view = { collector: null, unit: null };
const people = new People(view, begin);
const trend = new Trend(view);
const points = new SetPoints(view, people);
let status = null, logSeen = null;

const stream = new Stream({ whole: show, stale, fresh, refused: signedOut });

followTheme(() => trend.draw());

async function begin() {
  const who = await people.learn();
  if (who.level === null) {
    stream.path = null;
    $("main").hidden = true;
    say($("link-state"), "Sign in to see anything.");
    people.offer();
    return;
  }
  say($("site"), who.site);
  const names = Object.keys(who.collectors);
  const last = remembered("collector");
  view.collector = names.includes(last) ? last : names[0];
  $("choose").hidden = names.length < 2;
  fill($("collector"), ...names.map((name) => el("option", { selected: name === view.collector }, name)));
  units(who.collectors[view.collector]);
  $("log-form").hidden = !people.may("record");
  choose();
}

function units(own) {
  const offered = [...new Set(["inH2O", "Pa", own])];
  const last = remembered("unit");
  view.unit = offered.includes(last) ? last : own;
  for (const label of $("units").querySelectorAll("label")) label.remove();
  $("units").append(...offered.map((unit) => {
    const box = el("input", { type: "radio", name: "unit", value: unit, checked: unit === view.unit });
    box.addEventListener("change", () => { view.unit = unit; remember("unit", unit); choose(); });
    return el("label", {}, box, el("span", {}, unit));
  }));
}

$("collector").addEventListener("change", () => {
  view.collector = $("collector").value;
  remember("collector", view.collector);
  choose();
});

function choose() {
  say($("collector-name"), view.collector);
  document.title = `${view.collector}: dust collector`;
  logSeen = null;
  stream.open(`/api/live?${query()}`);
  trend.draw();
  settings();
}

const query = () => `collector=${encodeURIComponent(view.collector)}&unit=${view.unit}`;

function show(news) {
  status = news;
  $("main").hidden = false;
  showNow(status);
  points.show(status);
  showAlarms(status, people);
  showDoing(status, people);
  showRows(status);
  showFilters(status);
  showUpkeep(status, people);
  const alarms = status.alarms.length;
  document.title = `${alarms ? `(${alarms}) ` : ""}${view.collector}: ${status.dp.display ?? "no dP"}`;
  say($("link-state"), `Live. Read at ${timeText(status.dp.utc)}.`);
  const mark = JSON.stringify([status.mode, status.upkeep, status.filters_changed, status.zero_offset, status.set_points]);
  if (mark !== logSeen) { logSeen = mark; logBook(); }
}

setInterval(() => { if (status && !document.hidden) logBook(); }, 60000);

async function logBook() {
  try { showLogBook(await (await get(`/api/log-book?${query()}`)).json()); }
  catch (error) { fill($("log-list"), el("li", {}, `Cannot be shown: ${error.message}`)); }
}

async function settings() {
  try { showSettings(await (await get(`/api/settings?${query()}`)).json()); }
  catch (error) { fill($("settings-list"), el("dd", {}, `Cannot be shown: ${error.message}`)); }
}

function stale(seconds) {
  const words = seconds === null ? "No word from the daemon yet. Nothing here can be relied on."
    : `No word from the daemon for ${duration(seconds)}. What is below is old.`;
  const banner = $("stale");
  // Said once and then kept up to date without being read out each second.
  if (banner.hidden || seconds === null || seconds % 10 < 1.2) say(banner, words);
  banner.hidden = false;
  document.body.classList.add("is-stale");
  say($("link-state"), "Not live. Trying again every few seconds.");
  document.title = `OLD: ${view.collector}`;
}

function duration(s) { return s < 90 ? `${Math.floor(s)} s` : `${Math.floor(s / 60)} min`; }

function fresh() {
  $("stale").hidden = true;
  document.body.classList.remove("is-stale");
  trend.draw();
  people.learn().catch(() => {});
}

// A stream that stays away may have been refused, because the session is over.
async function signedOut() {
  try {
    const before = people.who.user;
    const who = await people.learn();
    if (who.level === null) begin();
    else if (before !== who.user && status) show(status);
  } catch { /* the daemon is away, which the banner says */ }
}

$("log-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const entry = $("log-entry").value, note = $("log-note").value;
  const fields = entry === "filter_change" ? { request: "filter_change", note } : { request: "record", entry, note };
  if (entry === "filter_change") {
    people.confirmFirst(fields, { title: "Filters changed, all rows", done: "Put it on record", text: "Filter life and the replacement alarm begin anew from here." });
  } else if (await people.request(fields)) {
    $("log-note").value = "";
    logBook();
  }
});

begin().catch(() => { say($("link-state"), "The daemon does not answer. Load this page again."); });
