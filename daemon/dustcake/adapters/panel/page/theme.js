// Light or dark: as the browser wants it, or as somebody has chosen here.

import { $, say } from "./dom.js";

export function remember(name, value) {
  try { localStorage.setItem(`dustcake.${name}`, value); } catch { /* a browser may forbid it */ }
}

export function remembered(name) {
  try { return localStorage.getItem(`dustcake.${name}`); } catch { return null; }
}

function show(dark) {
  document.documentElement.dataset.theme = dark ? "dark" : "light";
  say($("theme"), dark ? "Light" : "Dark");
  $("theme").setAttribute("aria-label", dark ? "Light colours" : "Dark colours");
}

export function followTheme(changed = () => {}) {
  const wanted = matchMedia("(prefers-color-scheme: dark)");
  show(remembered("theme") ? remembered("theme") === "dark" : wanted.matches);
  wanted.addEventListener("change", () => { if (!remembered("theme")) show(wanted.matches); });
  $("theme").addEventListener("click", () => {
    const dark = document.documentElement.dataset.theme !== "dark";
    show(dark);
    remember("theme", dark ? "dark" : "light");
    changed();
  });
}
