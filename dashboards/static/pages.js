// Charts, sorting, finding, the search over every unit. No outside host; data stand in the page or in files beside it.
"use strict";
document.documentElement.classList.add("scripted");
const frameBlock = document.getElementById("frame");
const chartsAt = document.currentScript.dataset.charts;
const frame = frameBlock ? JSON.parse(frameBlock.textContent) : { words: {}, links: {}, language: "en", zones: {} };
const whichside = { frame, waiting: [], index: null };
globalThis.whichside = whichside;

// --- words, numbers, times
whichside.say = (key, values = {}) => {
  let text = frame.words[key] ?? key;
  if (text.includes("|")) {
    const forms = text.split("|"), last = forms.length - 1;
    text = forms[values.n === 0 ? (last === 2 ? 0 : 1) : values.n === 1 ? last - 1 : last];
  }
  return text.replace(/\{(\w+)\}/g, (_, name) => (typeof values[name] === "number" ? whichside.number(values[name]) : values[name] ?? ""));
};
whichside.word = (group, code) => (code === null || code === undefined ? "–" : frame.words[`${group}.${code}`] ?? String(code).replaceAll("_", " "));
whichside.number = (value, digits) => (value === null || value === undefined ? "–" : value.toLocaleString(frame.language, { minimumFractionDigits: digits ?? 0, maximumFractionDigits: digits ?? 3 }));
const formats = new Map();
whichside.moment = (seconds, zone, hours = true) => {
  const key = `${zone} ${hours}`;
  if (!formats.has(key)) {
    const wanted = { timeZone: zone || "UTC", day: "numeric", month: "short", year: "numeric", ...(hours ? { hour: "2-digit", minute: "2-digit", hour12: false } : {}) };
    let made;
    try { made = new Intl.DateTimeFormat(frame.language === "en" ? "en-GB" : frame.language, wanted); } catch { made = new Intl.DateTimeFormat("en-GB", { ...wanted, timeZone: "UTC" }); }
    formats.set(key, made);
  }
  return formats.get(key).format(new Date(seconds * 1000));
};
whichside.utc = (seconds) => `${new Date(seconds * 1000).toISOString().slice(0, 16).replace("T", " ")} UTC`;
// control and direction marks are shown, never obeyed
whichside.visible = (text) => String(text).replace(/[\u0000-\u0008\u000b-\u001f\u007f-\u009f\u200b\u200e\u200f\u2028-\u202e\u2060\u2066-\u2069\ufeff]/g,
  (sign) => `\\u${sign.codePointAt(0).toString(16).padStart(4, "0")}`);
whichside.element = (name, text, parent, className) => {
  const made = document.createElement(name);
  if (text !== null && text !== undefined) made.textContent = whichside.visible(text);
  if (className) made.className = className;
  if (parent) parent.append(made);
  return made;
};
whichside.link = (kind, id, parent) => {
  const prefix = frame.links[kind];
  const made = whichside.element(prefix && id !== null ? "a" : "span", id ?? "–", parent, "id");
  if (prefix && id !== null) made.href = prefix + encodeURIComponent(id);
  return made;
};

// --- charts: drawn when they come into view (and all before printing), by a script read once the page stands. `ast` keeps Vega from evaluating text as code.
const chartOptions = { renderer: "svg", actions: false, ast: true, defaultStyle: false, logLevel: 1, tooltip: { disableDefaultStyle: true } };
whichside.load = (address) => new Promise((done, failed) => {
  const script = document.createElement("script");
  script.src = address;
  script.onload = done;
  script.onerror = () => failed(new Error(`${address} cannot be read`));
  document.head.append(script);
});
let charts = null;
const withCharts = () => (globalThis.vegaEmbed ? Promise.resolve() : (charts ??= whichside.load(chartsAt)));
const whenIdle = globalThis.requestIdleCallback ?? ((work) => setTimeout(work, 200));
if (document.querySelector("script[data-chart], #unit")) whenIdle(() => withCharts().catch(console.error));
whichside.draw = (place, spec) => {
  const label = place.getAttribute("aria-label");
  return withCharts().then(() => vegaEmbed(place, spec, chartOptions)).then(() => {
    place.setAttribute("aria-label", `${label}. ${spec.description}`);
    place.querySelectorAll("svg").forEach((svg) => svg.setAttribute("aria-hidden", "true"));
    place.classList.add("drawn");
  }).catch((error) => { place.textContent = `This chart could not be drawn: ${error.message}`; console.error(error); });
};
const specs = new Map();
const drawNow = (place) => { if (specs.has(place)) { const spec = specs.get(place); specs.delete(place); whichside.draw(place, spec()); } };
const watcher = new IntersectionObserver((seen) => { for (const item of seen) if (item.isIntersecting) { drawNow(item.target); watcher.unobserve(item.target); } }, { rootMargin: "300px" });
whichside.drawLater = (place, spec) => { specs.set(place, spec); watcher.observe(place); };
for (const block of document.querySelectorAll("script[data-chart]")) whichside.drawLater(document.getElementById(block.dataset.chart), () => JSON.parse(block.textContent));
addEventListener("beforeprint", () => { document.querySelectorAll("details.reason").forEach((block) => { block.open = true; }); [...specs.keys()].forEach(drawNow); });
for (const button of document.querySelectorAll("[data-print]")) button.addEventListener("click", () => print());

// --- sorting: a table's heads become buttons
const valueOf = (row, index) => {
  const cell = row.cells[index];
  if (cell.dataset.v !== undefined) return cell.dataset.v === "None" || cell.dataset.v === "" ? -Infinity : Number(cell.dataset.v);
  const text = cell.textContent.trim();
  return text !== "" && !Number.isNaN(Number(text)) ? Number(text) : text;
};
const compare = (a, b) => (typeof a === "number" && typeof b === "number" ? a - b : String(a).localeCompare(String(b), "en", { numeric: true }));
whichside.sortable = (table) => [...table.tHead.rows[0].cells].forEach((head, index) => {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "sort";
  button.append(...head.childNodes);
  head.append(button);
  button.addEventListener("click", () => {
    const down = head.getAttribute("aria-sort") === "ascending" || (head.classList.contains("num") && !head.hasAttribute("aria-sort"));
    [...table.tHead.rows[0].cells].forEach((other) => other.removeAttribute("aria-sort"));
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const body = table.tBodies[0];
    const keyed = [...body.rows].map((row) => [valueOf(row, index), row]).sort((a, b) => (down ? -1 : 1) * compare(a[0], b[0]));
    body.append(...keyed.map((pair) => pair[1]));
    table.dispatchEvent(new Event("sorted"));
  });
});

// --- on a phone the rows of a table of more than three columns become cards: one style rule a column names its figure
const sheet = new CSSStyleSheet();
document.adoptedStyleSheets = [...document.adoptedStyleSheets, sheet];
let cardTables = 0;
whichside.cards = (table) => {
  const heads = [...table.tHead.rows[0].cells];
  if (heads.length < 4) return;
  table.classList.add("cards");
  table.dataset.cards = String(++cardTables);
  heads.forEach((head, index) => {
    const name = JSON.stringify(head.textContent.trim());
    sheet.insertRule(`@media (max-width: 44rem) { table[data-cards="${cardTables}"] > tbody > tr > :nth-child(${index + 1})::before { content: ${name} / ""; } }`);
  });
};
for (const table of document.querySelectorAll("main table:not(.matrix)")) if (table.tHead) whichside.cards(table);
for (const table of document.querySelectorAll("table.sortable")) whichside.sortable(table);

// --- the index of every unit, read when somebody first searches
whichside.indexed = (rows) => { whichside.index = rows; };
let indexAsked = null;
whichside.withIndex = () => (indexAsked ??= whichside.index ? Promise.resolve() : whichside.load(frame.index));
// kind, id, call, plate, VIN, more; a whole id first, then what begins so, then the rest
whichside.matches = (wanted, kind) => {
  const text = wanted.trim().toLowerCase();
  if (!text || !whichside.index) return [];
  const found = [];
  for (const row of whichside.index) {
    if (kind && row[0] !== kind) continue;
    let best = 9;
    for (const part of [row[1], row[3], row[4], row[5]]) {
      if (!part) continue;
      const at = part.toLowerCase().indexOf(text);
      if (at >= 0) best = Math.min(best, part.length === text.length ? 0 : at === 0 ? 1 : 2);
    }
    if (best < 9) found.push([best, row]);
  }
  return found.sort((a, b) => a[0] - b[0]).map((pair) => pair[1]);
};
const search = document.getElementById("search");
if (search && frame.index) {
  const field = search.querySelector("input"), list = document.getElementById("matches"), SHOWN = 8;
  const show = () => {
    list.replaceChildren();
    const found = whichside.matches(field.value);
    for (const row of found.slice(0, SHOWN)) {
      const item = whichside.element("li", null, list);
      whichside.link(row[0], row[1], item);
      whichside.element("span", [whichside.word("call", row[2] ?? "none"), row[3], row[5]].filter(Boolean).join(" · "), item, "said");
    }
    if (found.length > SHOWN) whichside.element("li", whichside.say("frame.more_found", { n: found.length - SHOWN }), list, "said");
    if (!found.length && field.value.trim()) whichside.element("li", whichside.say("frame.none_found"), list, "said");
    list.hidden = !field.value.trim();
  };
  field.addEventListener("focus", () => whichside.withIndex());
  field.addEventListener("input", () => whichside.withIndex().then(show));
  search.addEventListener("submit", (event) => { event.preventDefault(); const first = list.querySelector("a"); if (first) first.click(); });
  search.addEventListener("keydown", (event) => {
    const links = [...list.querySelectorAll("a")], at = links.indexOf(document.activeElement);
    if (event.key === "ArrowDown" && links.length) { links[Math.min(at + 1, links.length - 1)].focus(); event.preventDefault(); }
    if (event.key === "ArrowUp" && at >= 0) { (links[at - 1] ?? field).focus(); event.preventDefault(); }
    if (event.key === "Escape") { list.hidden = true; field.focus(); }
  });
  list.addEventListener("click", (event) => { if (event.target.closest("a")) list.hidden = true; });
  addEventListener("keydown", (event) => { if (event.key.toLowerCase() === "k" && (event.ctrlKey || event.metaKey)) { field.focus(); event.preventDefault(); } });
}

// --- the week switcher goes at once, keeping the page and the unit
const switcher = document.getElementById("weeks");
if (switcher) switcher.addEventListener("change", (event) => { location.href = event.target.value + (location.protocol === "file:" ? location.hash : ""); });

// --- finding in a list. A typed word looks everywhere: the choice of calls never hides a match. A long list shows its
// first rows, and more when asked: what is not laid out costs nothing.
const ROWS_AT_ONCE = 100;
for (const form of document.querySelectorAll("form.finder")) {
  const table = document.getElementById(form.dataset.for), body = table.tBodies[0];
  const others = document.getElementById(`${form.dataset.for}-others`);
  const more = whichside.element("button", null, null, "plain needs-script");
  more.type = "button";
  table.parentElement.after(more);
  let most = ROWS_AT_ONCE;
  const texts = new Map();
  const textOf = (row) => {
    if (!texts.has(row)) texts.set(row, `${row.textContent} ${row.dataset.more ?? ""}`.toLowerCase());
    return texts.get(row);
  };
  whenIdle(() => { for (const row of body.rows) textOf(row); });
  const apply = () => {
    const wanted = form.elements.text.value.trim().toLowerCase();
    const calls = !wanted && form.elements.call.value ? form.elements.call.value.split(" ") : null;
    let fit = 0;
    for (const row of body.rows) {
      const fits = (!calls || calls.includes(row.dataset.call)) && (!wanted || textOf(row).includes(wanted));
      fit += fits;
      const shown = fits && fit <= most;
      if (row.hidden === shown) row.hidden = !shown;
    }
    form.querySelector("output").textContent = whichside.say("list.shown", { a: Math.min(fit, most), b: Number(form.dataset.whole || body.rows.length) });
    more.hidden = fit <= most;
    more.textContent = whichside.say("list.more", { n: Math.max(0, fit - most) });
    if (others) beyond(wanted, new Set([...body.rows].map((row) => row.dataset.id)));
  };
  // units the table leaves out (a long list of clear ones, or without an attempt lately)
  const beyond = (wanted, listed) => {
    others.replaceChildren();
    if (!wanted) return;
    whichside.withIndex().then(() => {
      others.replaceChildren();
      for (const row of whichside.matches(wanted, form.dataset.kind).filter((row) => !listed.has(row[1])).slice(0, 20)) {
        const item = whichside.element("li", null, others);
        whichside.link(row[0], row[1], item);
        whichside.element("span", [whichside.word("call", row[2] ?? "none"), row[3], row[5]].filter(Boolean).join(" · "), item, "said");
      }
    });
  };
  const upTo = (rows) => { most = rows; apply(); };
  form.addEventListener("input", () => upTo(ROWS_AT_ONCE));
  form.addEventListener("submit", (event) => event.preventDefault());
  more.addEventListener("click", () => upTo(most + ROWS_AT_ONCE));
  table.addEventListener("sorted", apply);
  addEventListener("beforeprint", () => upTo(Infinity));
  addEventListener("afterprint", () => upTo(ROWS_AT_ONCE));
  apply();
  table.classList.remove("waiting");
}
