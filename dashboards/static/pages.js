// Charts, sorting, finding and the vehicle's story. No outside host; the data stand in the page as JSON.
"use strict";
document.documentElement.classList.add("scripted");

// --- charts: drawn when they come into view (and all before printing). `ast` keeps Vega from evaluating text as code.
const chartOptions = { renderer: "svg", actions: false, ast: true, defaultStyle: false, logLevel: 1, tooltip: { disableDefaultStyle: true } };
function draw(block) {
  if (block.dataset.drawn) return;
  block.dataset.drawn = "1";
  const place = document.getElementById(block.dataset.chart);
  const spec = JSON.parse(block.textContent);
  const label = place.getAttribute("aria-label");
  vegaEmbed(place, spec, chartOptions).then(() => {
    place.setAttribute("aria-label", `${label}. ${spec.description}`);
    place.querySelectorAll("svg").forEach((svg) => svg.setAttribute("aria-hidden", "true"));
    place.classList.add("drawn");
  }).catch((error) => { place.textContent = `This chart could not be drawn: ${error.message}`; console.error(error); });
}
const blocks = [...document.querySelectorAll("script[data-chart]")];
if (blocks.length) {
  const watcher = new IntersectionObserver((seen) => {
    for (const item of seen) if (item.isIntersecting) { draw(document.querySelector(`script[data-chart="${item.target.id}"]`)); watcher.unobserve(item.target); }
  }, { rootMargin: "300px" });
  blocks.forEach((block) => watcher.observe(document.getElementById(block.dataset.chart)));
  addEventListener("beforeprint", () => blocks.forEach(draw));
}

// --- sorting: a table's heads become buttons
const valueOf = (row, index) => {
  const cell = row.cells[index];
  if (cell.dataset.v !== undefined) return cell.dataset.v === "None" ? -Infinity : Number(cell.dataset.v);
  const text = cell.textContent.trim();
  return text !== "" && !Number.isNaN(Number(text)) ? Number(text) : text;
};
const compare = (a, b) => (typeof a === "number" && typeof b === "number" ? a - b : String(a).localeCompare(String(b), "en", { numeric: true }));
for (const table of document.querySelectorAll("table.sortable")) {
  [...table.tHead.rows[0].cells].forEach((head, index) => {
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
    });
  });
}

// --- finding. Rows wait hidden (style sheet) until this has chosen, so that a long list is laid out once.
for (const form of document.querySelectorAll("form.finder")) {
  const table = document.getElementById(form.dataset.for);
  const rows = [...table.tBodies[0].rows];
  const texts = new Map();
  const textOf = (row) => {
    if (!texts.has(row)) texts.set(row, row.textContent.toLowerCase());
    return texts.get(row);
  };
  const apply = () => {
    const wanted = form.elements.text.value.trim().toLowerCase();
    const calls = form.elements.call.value ? form.elements.call.value.split(" ") : null;
    let shown = 0;
    for (const row of rows) {
      const fits = (!calls || calls.includes(row.dataset.call)) && (!wanted || textOf(row).includes(wanted));
      row.hidden = !fits;
      shown += fits;
    }
    form.querySelector("output").textContent = `${shown} of ${rows.length} shown`;
  };
  form.addEventListener("input", apply);
  form.addEventListener("submit", (event) => event.preventDefault());
  apply();
  table.classList.remove("waiting");
}

// --- the vehicle's story. Text goes in as text, never as markup.
const dialog = document.getElementById("story");
const storyBlock = document.getElementById("stories");
function element(name, text, parent, className) {
  const made = document.createElement(name);
  if (text !== null) made.textContent = text;
  if (className) made.className = className;
  if (parent) parent.append(made);
  return made;
}
function listOf(parent, title, items) {
  if (!items.length) return;
  element("h3", title, parent);
  const list = element("ul", null, parent);
  items.forEach((item) => element("li", item, list));
}
function weekBars(parent, weeks) {
  element("h3", "AC attempts by week (filled: failed)", parent);
  const most = Math.max(1, ...weeks.map((week) => week[1] + week[2]));
  const bars = element("div", null, parent, "bars");
  bars.setAttribute("role", "img");
  bars.setAttribute("aria-label", weeks.map((week) => `${week[0]}: ${week[2]} of ${week[1] + week[2]} failed`).join("; "));
  for (const week of weeks) {
    const column = element("i", null, bars);
    column.title = `${week[0]}: ${week[2]} of ${week[1] + week[2]} failed`;
    for (const [number, kind] of [[week[2], "bad"], [week[1], ""]]) if (number) element("b", null, column, kind).style.height = `${(100 * number) / most}%`;
  }
  if (weeks.length) element("p", `${weeks[0][0]} to ${weeks[weeks.length - 1][0]}`, parent, "note");
}
function tell(vehicle, all) {
  const story = Object.hasOwn(all.vehicles, vehicle) ? all.vehicles[vehicle] : null;
  const body = document.getElementById("story-body");
  document.getElementById("story-title").textContent = story && story.model ? `${vehicle} · ${story.model}` : vehicle;
  body.replaceChildren();
  const row = [...document.querySelectorAll("[data-story]")].find((button) => button.dataset.story === vehicle).closest("tr");
  element("p", row.querySelector(".why").textContent, body);
  if (story) {
    weekBars(body, all.weeks.map((week, index) => [week, ...story.counts[index]]));
    listOf(body, "Where it plugs in", story.evses.map(([evse, attempts, failures]) => `${evse}: ${failures} of ${attempts} failed`));
    listOf(body, "Latest failures", story.failures.map(([at, evse, stage, seconds, fault]) =>
      `${at} at ${evse}: ${all.stages[stage] || stage}${seconds === null ? "" : `, ${Math.round(seconds)} s`}${fault ? `, ${fault}` : ""}`));
    listOf(body, "Plug-ins that would tell", story.tests.map(([evse, decides]) => `${evse}: ${decides}`));
    const links = element("p", null, body);
    for (const [name, address] of story.links) { const link = element("a", name, links, "button"); link.href = address; }
  }
  if (!dialog.open) dialog.showModal();
}
if (dialog && storyBlock) {
  let read = null;
  const all = () => (read ??= JSON.parse(storyBlock.textContent));
  const known = (vehicle) => [...document.querySelectorAll("[data-story]")].some((button) => button.dataset.story === vehicle);
  const fromAddress = () => {
    let wanted = "";
    try { wanted = decodeURIComponent(location.hash.replace(/^#vehicle=/, "")); } catch { return; }
    if (location.hash.startsWith("#vehicle=") && known(wanted)) tell(wanted, all());
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-story]");
    if (button) location.hash = `vehicle=${encodeURIComponent(button.dataset.story)}`;
  });
  dialog.addEventListener("close", () => history.replaceState(null, "", location.pathname + location.search));
  addEventListener("hashchange", fromAddress);
  fromAddress();
}
