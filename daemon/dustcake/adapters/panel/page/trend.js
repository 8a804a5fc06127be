// The trend: drawn by the daemon as SVG.

import { $, el, say } from "./dom.js";
import { get } from "./talk.js";

const LENGTHS = [["1h", "1 h"], ["8h", "8 h"], ["1d", "1 day"], ["1w", "1 week"], ["1m", "1 month"], ["1y", "1 year"]];

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
    const { collector, unit } = this.view;
    if (!collector) return;
    const width = Math.max(280, Math.min(1600, Math.round($("trend-picture").clientWidth) || 720));
    const zone = -new Date().getTimezoneOffset();
    const query = `collector=${encodeURIComponent(collector)}&unit=${unit}&length=${this.length}&zone_min=${zone}&width=${width}`;
    try {
      const text = await (await get(`/api/trend.svg?${query}`)).text();
      const svg = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
      $("trend-picture").replaceChildren(document.importNode(svg, true));
      say($("trend-words"), `${svg.querySelector("title").textContent}. Line: mean; shade around it: least to greatest; wide shade: between the low and the high set point.`);
    } catch (error) {
      say($("trend-words"), `No trend: ${error.message}`);
    }
  }
}
