// The trend: drawn by the charting library where that is installed, else by the daemon as SVG.

import { $, el, fill, say } from "./dom.js";
import { get } from "./talk.js";

const LENGTHS = [["1h", "1 h"], ["8h", "8 h"], ["1d", "1 day"], ["1w", "1 week"], ["1m", "1 month"], ["1y", "1 year"]];
const PA_PER = { inH2O: 249.08891, Pa: 1 };

export class Trend {
  constructor(view) {
    this.view = view;
    this.length = "1h";
    const boxes = LENGTHS.map(([value, text]) => {
      const box = el("input", { type: "radio", name: "length", value, checked: value === this.length });
      box.addEventListener("change", () => { this.length = value; this.draw(); });
      return el("label", {}, box, el("span", {}, text));
    });
    $("lengths").append(...boxes);
    setInterval(() => { if (!document.hidden) this.draw(); }, 60000);
  }

  async draw() {
    const { collector, unit, charts } = this.view;
    if (!collector) return;
    const asked = `collector=${encodeURIComponent(collector)}&unit=${unit}&length=${this.length}`;
    try {
      if (charts && PA_PER[unit]) await this.chart(asked, unit);
      else await this.picture(asked);
    } catch (error) {
      say($("trend-words"), `No trend: ${error.message}`);
    }
  }

  async picture(asked) {
    const width = Math.max(280, Math.min(1600, Math.round($("trend-picture").clientWidth) || 720));
    const zone = -new Date().getTimezoneOffset();
    const text = await (await get(`/api/trend.svg?${asked}&zone_min=${zone}&width=${width}`)).text();
    const svg = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
    $("trend-picture").replaceChildren(document.importNode(svg, true));
    say($("trend-words"), `${svg.querySelector("title").textContent}. Line: mean; shade around it: least to greatest; wide shade: between the low and the high set point.`);
  }

  async chart(asked, unit) {
    await library();
    const trend = await (await get(`/api/trend?${asked}`)).json();
    const points = Object.entries(this.view.setPoints ?? {}).map(([name, point]) => [name, point.value]);
    const data = columns(trend, points, PA_PER[unit]);
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(name).trim();
    const axis = { stroke: colour("--soft"), grid: { stroke: colour("--rule"), width: 1 } };
    const edge = { stroke: colour("--range"), width: 1, points: { show: false } };
    const box = $("trend-picture");
    this.plot?.destroy();
    box.replaceChildren();
    this.plot = new uPlot({
      width: box.clientWidth, height: 280,
      series: [{}, { label: "least", ...edge }, { label: "greatest", ...edge },
        { label: `mean dP, ${unit}`, stroke: colour("--curve"), width: 2, points: { show: false } },
        ...points.map(([name]) => ({ label: `${name} set point`, stroke: colour("--ink"), width: 1, dash: name === "replacement" ? [2, 3] : [6, 4], points: { show: false } }))],
      bands: [{ series: [2, 1], fill: colour("--range") }],
      scales: { x: { min: trend.since_utc_s, max: trend.until_utc_s } },
      axes: [axis, { ...axis, size: 60 }],
    }, data, box);
    const told = data[3].filter((value) => value !== null);
    const digits = unit === "Pa" ? 0 : 2;
    say($("trend-words"), told.length === 0 ? "Nothing was read in this time."
      : `Mean dP from ${Math.min(...told).toFixed(digits)} to ${Math.max(...told).toFixed(digits)} ${unit}.`);
  }
}

// One column for each line, in the unit shown. A time nothing is known of becomes a gap, not a line
// across it; set points are lines from end to end.
function columns(trend, points, paPerUnit) {
  const names = ["dp_min_pa", "dp_max_pa", "dp_mean_pa"];
  const found = [[], ...names.map(() => []), ...points.map(() => [])];
  const add = (utc, values) => [utc, ...values, ...points.map((point) => point[1])]
    .forEach((value, at) => found[at].push(at === 0 || value === null ? value : value / paPerUnit));
  const nothing = names.map(() => null);
  add(trend.since_utc_s, nothing);
  let before = trend.since_utc_s;
  trend.utc_s.forEach((utc, at) => {
    if (utc - before > 1.5 * trend.width_s) add(before + trend.width_s, nothing);
    add(utc + trend.width_s / 2, names.map((name) => trend[name][at]));
    before = utc;
  });
  add(trend.until_utc_s, nothing);
  return found;
}

let loading = null;
function library() {
  loading ??= new Promise((done, failed) => {
    document.head.append(el("link", { rel: "stylesheet", href: "/charts/uPlot.min.css" }));
    const script = el("script", { src: "/charts/uPlot.iife.min.js" });
    script.addEventListener("load", done);
    script.addEventListener("error", () => failed(new Error("the charting library did not load")));
    document.head.append(script);
  });
  return loading;
}
