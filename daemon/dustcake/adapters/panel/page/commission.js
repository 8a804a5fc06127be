// Commissioning, step by step: the same steps as `dustcake commission`, done from this page.

import { $, el, fill, pairs, say, timeText, words } from "./dom.js";
import { form } from "./answers.js";
import { People } from "./people.js";
import { get, post } from "./talk.js";
import { followTheme, remember, remembered } from "./theme.js";

const EVERY_MS = 1000, STALE_AFTER_MS = 5000;
const STATES = { open: "○ Not done", under_way: "◐ Under way", failed: "▲ Failed", passed: "● Passed", skipped: "– Left out" };
const RESULTS = { passed: "● Passed", failed: "▲ Failed", noted: "◆ Noted", skipped: "– Left out" };

const place = { collector: null };
const people = new People(place, begin);
let view = null, chosen = null, built = "", heard = performance.now();

followTheme();

async function begin() {
  const who = await people.learn();
  if (who.level === null) {
    $("main").hidden = true;
    say($("link-state"), "Sign in to see anything.");
    people.offer();
    return;
  }
  say($("site"), who.site);
  const names = Object.keys(who.collectors);
  place.collector = names.includes(remembered("collector")) ? remembered("collector") : names[0];
  $("choose").hidden = names.length < 2;
  fill($("collector"), ...names.map((name) => el("option", { selected: name === place.collector }, name)));
  built = "";
  await look();
}

$("collector").addEventListener("change", () => {
  place.collector = $("collector").value;
  remember("collector", place.collector);
  chosen = null;
  look();
});

const query = () => `collector=${encodeURIComponent(place.collector)}`;

async function look() {
  if (place.collector === null) return;
  try {
    show(await (await get(`/api/commission?${query()}`)).json());
    heard = performance.now();
    $("stale").hidden = true;
  } catch (error) {
    const quiet = performance.now() - heard;
    if (quiet < STALE_AFTER_MS) return;
    say($("stale"), `No word from the daemon for ${Math.floor(quiet / 1000)} s (${error.message}). What is below is old.`);
    $("stale").hidden = false;
  }
}
setInterval(() => { if (!document.hidden) look(); }, EVERY_MS);

function show(answer) {
  view = answer.view;
  $("main").hidden = false;
  say($("collector-name"), `${view.collector}: commissioning`);
  document.title = `Commissioning of ${view.collector}`;
  say($("problem"), view.problem);
  showLive();
  showSteps();
  const step = view.steps.find((one) => one.step === (chosen ?? view.current)) ?? view.steps[0];
  $("step").hidden = !step;
  if (step) showStep(step);
}

function showLive() {
  const live = view.live;
  const [number, unit] = live?.dp ? live.dp.split(" ") : ["–", ""];
  say($("dp-value"), number);
  say($("dp-unit"), unit);
  if (!live) return;
  const blower = { true: "running", false: "off", null: "not known" }[String(live.blower_running)];
  const entries = [["Reading", words(live.quality)], ["Blower", blower], ["Mode", words(live.mode)]];
  if (live.header) entries.splice(1, 0, ["Header", live.header]);
  if (live.missing.length) entries.push(["Pulses lack", live.missing.map((one) => one.reason || words(one.name)).join("; ")]);
  pairs($("live-pairs"), entries);
  const doing = view.under_way;
  say($("link-state"), doing ? `Under way: ${words(doing.step)}, ${words(doing.action)} ${doing.progress}` : "Live.");
}

function showSteps() {
  const record = view.record, signed = record?.signature;
  fill($("step-list"), ...view.steps.map((one) => el("li", {}, el("button", {
    type: "button", "data-key": one.step, "data-step": one.step, class: one.state,
    "aria-current": one.step === (chosen ?? view.current) ? "step" : null,
    onclick: () => { chosen = one.step; built = ""; say($("said"), ""); $("said").hidden = true; look(); $("step").focus(); },
  }, el("span", {}, one.title), el("span", { class: "small" }, STATES[one.state] + untried(one))))));
  const may = people.may("commission");
  const offered = [];
  if (may && (!record || signed)) offered.push(button("begin", record ? "Begin a new record" : "Begin", () => (record ? $("ask-dialog").showModal() : send({ commission: "begin" }))));
  if (may && record && !signed) offered.push(button("anew", "Begin anew", () => $("ask-dialog").showModal()));
  if (record) {
    offered.push(el("a", { class: "link", href: `/api/commission/report.html?${query()}` }, "Report as HTML"));
    offered.push(el("a", { class: "link", href: `/api/commission/report.pdf?${query()}` }, "Report as PDF"));
  }
  fill($("record-buttons"), ...offered);
  pairs($("signature"), !record ? [["Record", may ? "none yet" : "none yet; sign in with the level adjust to begin one"]] : [
    ["Begun", `${timeText(record.begun)} by ${record.begun_by}`],
    ...(signed ? [["Signed", `${signed.name}, ${timeText(signed.utc)}`],
      ["SHA-256", `${signed.sha256} (${signed.matches ? "fits the record" : "does not fit: changed since"})`]] : []),
  ]);
}

const untried = (step) => (step.not_tried ? `; not tried: ${step.not_tried}` : "");

const button = (key, text, onclick) => el("button", { type: "button", "data-key": key, onclick }, text);

people.confirmed = () => { $("ask-dialog").close(); chosen = null; send({ commission: "begin" }); };

function showStep(step) {
  say($("step-h"), `${step.title}: ${STATES[step.state].slice(2)}${untried(step)}`);
  say($("checks"), step.checks);
  fill($("cautions"), ...step.cautions.map((one) => el("li", {}, el("strong", {}, "Caution: "), one)));
  fill($("entries"), ...(step.entries.length ? [...step.entries].reverse().map(entry) : [el("li", {}, "Nothing yet")]));
  candidates(step);
  // Built once for a step, so that what somebody is typing stays.
  const mark = JSON.stringify([step.step, step.waits_for, step.actions, people.may("commission"), !!view.record?.signature]);
  if (mark === built) return;
  built = mark;
  $("actions").replaceChildren(...forms(step));
}

function forms(step) {
  if (view.record?.signature) return [el("p", {}, "The record is signed and closed.")];
  if (step.waits_for) {
    const first = view.steps.find((one) => one.step === step.waits_for);
    return [el("p", {}, `First comes: ${first.title}. Finish it, or leave it out with the reason.`)];
  }
  if (!people.may("commission")) return [el("p", {}, "Sign in with the level adjust to do anything here.")];
  return step.actions.map((action) => {
    const made = form(action, (fields) =>
      send({ commission: "do", step: step.step, action: action.action, fields }, action.title));
    return action.aside ? el("details", { class: "aside" }, el("summary", {}, action.title), made) : made;
  });
}

async function send(request, title) {
  const before = view.record?.entries ?? 0;
  const answer = await post("/api/commission", { ...request, collector: place.collector }, people.who.token);
  $("said").hidden = false;
  if (!answer.accepted) return say($("said"), `Refused: ${answer.reason}.`);
  say($("said"), title ? `${title}: watching…` : "Done.");
  show(answer);
  while (title && view.under_way) {
    await new Promise((next) => setTimeout(next, EVERY_MS / 2));
    await look();
  }
  if (title && (view.record?.entries ?? 0) > before) {
    const all = view.steps.find((one) => one.step === request.step).entries;
    const last = all.findLast((one) => one.action === request.action);
    if (last) say($("said"), `${RESULTS[last.result]}: ${last.words}`);
  }
}

function entry(one) {
  return el("li", { class: `entry ${one.result}` },
    el("time", { datetime: one.utc ?? "" }, `${timeText(one.utc)}, ${one.by}`),
    el("strong", {}, RESULTS[one.result]), ` ${one.words}`,
    ...one.cautions.map((text) => el("p", {}, `Caution: ${text}`)),
    one.settings ? el("pre", { class: "lines" }, one.settings) : null);
}

function candidates(step) {
  const scan = step.entries.findLast((one) => one.candidates.length);
  if (!scan) return fill($("candidates"));
  const heads = ["No.", "Unit, register", "Read as", "Raw", "Value", "Verdict"];
  const rows = scan.candidates.map((one, index) => {
    const how = one.lines.word_order ?? (one.lines.counts ?? []).join(" to ");
    return el("tr", {}, ...[String(index + 1), `${one.lines.unit}, ${one.lines.table} ${one.lines.register}`,
      `${words(one.lines.kind)} ${how}`, one.raw.join(" "), one.shown ?? "no value", one.why || "✓ plausible",
    ].map((text) => el("td", {}, text)));
  });
  fill($("candidates"), el("h3", {}, "What the last scan found"),
    el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "What the last scan found" },
      el("table", {}, el("thead", {}, el("tr", {}, ...heads.map((head) => el("th", { scope: "col" }, head)))), el("tbody", {}, ...rows))));
}

begin().catch(() => { say($("link-state"), "The daemon does not answer. Load this page again."); });
