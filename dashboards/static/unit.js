// The page of one vehicle or EVSE, made from its data: the address names it, the data file (or the page) holds it.
"use strict";
{
  const { frame, say, word, number, moment, utc, element, link } = whichside;
  const place = document.getElementById("unit");
  const kind = place.dataset.kind;
  const other = kind === "vehicle" ? "evse" : "vehicle";
  const held = new Map();
  // a data file holds its units deflated, in base 64: a page opened from disk may read a script, and nothing else
  const unpacking = [];
  whichside.packed = (text) => unpacking.push((async () => {
    const bytes = Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0));
    const list = await new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"))).json();
    for (const unit of list) held.set(unit.id, unit);
  })());
  // attempts come by columns: times as seconds from the one before, words as places in the unit's own list, nothing where nothing is
  const spread = (packed) => {
    if (!packed) return null;
    let at = 0;
    const t = packed.t.map((since) => { at += since; return at; });
    const column = (name) => packed[name] ?? new Array(t.length).fill(null);
    const worded = (name) => column(name).map((place) => (place === null ? null : packed.words[name][place]));
    return { t, at: worded("at"), outcome: worded("outcome"), stage: worded("stage"), fault: worded("fault"), state: worded("state"), s: column("s"), kwh: column("kwh"), low: column("low"), p: column("p") };
  };
  const percent = (p) => (p === null || p === undefined ? "–" : p > 0.99 ? `> ${number(99)} %` : p < 0.01 ? `< ${number(1)} %` : `${number(Math.round(p * 100))} %`);
  const ohms = (ohm) => (ohm === null ? "–" : ohm >= 40e6 ? say("unit.over_range") : ohm >= 1e6 ? `${number(Number((ohm / 1e6).toPrecision(3)))} MΩ` : ohm >= 1e3 ? `${number(Number((ohm / 1e3).toPrecision(3)))} kΩ` : `${number(Number(ohm.toPrecision(3)))} Ω`);
  const zoneAt = (evse) => frame.zones[evse] ?? frame.zone;
  const when = (seconds, evse, parent, hours = true) => {
    const made = element("time", moment(seconds, zoneAt(evse), hours), parent);
    made.dateTime = new Date(seconds * 1000).toISOString();
    made.title = utc(seconds);
    return made;
  };
  const section = (title, id) => {
    const made = element("section", null, place);
    const head = element("h2", title, made);
    head.id = id;
    return made;
  };
  const facts = (parent, pairs) => {
    const list = element("dl", null, parent, "facts");
    for (const [name, value] of pairs) {
      if (value === null || value === undefined || value === "" || value === "–") continue;
      const row = element("div", null, list);
      element("dt", name, row);
      const cell = element("dd", null, row);
      cell.append(value instanceof Node ? value : document.createTextNode(whichside.visible(value)));
    }
  };
  const table = (parent, heads, rows, label) => {
    const holder = element("div", null, parent, "wide-table");
    holder.tabIndex = 0; holder.setAttribute("role", "region"); holder.setAttribute("aria-label", label);
    const made = element("table", null, holder, "sortable");
    const top = element("tr", null, element("thead", null, made));
    heads.forEach(([name, type]) => { const head = element("th", name, top, type ?? ""); head.scope = "col"; });
    const body = element("tbody", null, made);
    for (const row of rows) {
      const line = element("tr", null, body);
      row.forEach((cell, index) => {
        const made = element(index === 0 ? "th" : "td", null, line, heads[index][1] ?? "");
        if (index === 0) made.scope = "row";
        const [shown, value] = Array.isArray(cell) ? cell : [cell, undefined];
        if (value !== undefined) made.dataset.v = value ?? "";
        if (typeof shown === "function") shown(made); else made.append(document.createTextNode(shown === null || shown === undefined ? "–" : whichside.visible(shown)));
      });
    }
    whichside.cards(made);
    whichside.sortable(made);
    return made;
  };
  const chart = (parent, id, caption, spec, note) => {
    const figure = element("figure", null, parent);
    element("figcaption", caption, figure);
    const area = element("div", null, figure, "chart");
    area.id = id; area.tabIndex = 0; area.setAttribute("role", "group"); area.setAttribute("aria-label", caption);
    if (note) element("p", note, figure, "note");
    whichside.drawLater(area, spec);
  };
  const badge = (call, parent) => element("span", word("call", call ?? "none"), parent, `call ${call ?? "none"}`);
  const iso = (seconds) => new Date(seconds * 1000).toISOString();
  const specOf = (name, datasets) => { const spec = structuredClone(JSON.parse(document.getElementById(`spec-${name}`).textContent)); Object.assign(spec.datasets, datasets); return spec; };

  const told = (mark) => `${word("mark", mark.mark)}${mark.words ? ` ${["finding", "repair", "work"].includes(mark.mark) ? word("finding", mark.words) : whichside.visible(mark.words)}` : ""}`;
  // changes within a day and a half of each other share one line in the chart
  const grouped = (marks) => marks.reduce((groups, mark) => { const last = groups.at(-1); if (last && mark.t - last.at(-1).t < 130000) last.push(mark); else groups.push([mark]); return groups; }, []);

  function head(unit) {
    document.title = `${unit.id} – ${document.title.split(" – ").slice(1).join(" – ") || document.title}`;
    const title = element("h1", null, place);
    element("span", unit.id, title);
    const said = unit.suspect ? word("part", unit.suspect) : word("call", unit.call ?? "none");
    element("small", ` ${said}`, title);
    const lead = element("p", null, place, "lead");
    lead.append([unit.model ?? unit.evse_model, unit.plate, kind === "evse" ? unit.site_id : null].filter(Boolean).map(whichside.visible).join(" · "));
    const claim = element("p", null, place, "claim");
    badge(unit.call, claim);
    const [first] = unit.why.text.split(". ");
    if (first) element("span", ` ${first}${first.endsWith(".") ? "" : "."}`, claim).lang = unit.why.language;
    if (unit.links?.length) {
      const links = element("p", null, place, "actions");
      for (const each of unit.links) { const made = element("a", say(each.name), links, "button"); made.href = each.address; }
    }
  }

  function numbers(unit) {
    const made = section(say("unit.why"), "why");
    const columns = element("div", null, made, "columns");
    const left = element("div", null, columns), right = element("div", null, columns);
    if (unit.why.text) { const p = element("p", unit.why.text.split(". ").slice(1).join(". ") || unit.why.text, left); p.lang = unit.why.language; } else if (!unit.call) element("p", say("unit.no_call"), left);
    if (unit.cost) element("p", unit.cost, left, "note");
    const since = unit.onset === null || unit.onset === undefined ? null : document.createElement("span");
    if (since) {
      // a day by UTC, as reasons and lists have it: one date wherever it stands
      const day = (at) => moment(at, "UTC", false);
      element("time", day(unit.onset), since).dateTime = iso(unit.onset);
      if (unit.onset_lo) since.append(` (${say("unit.between", { a: day(unit.onset_lo), b: day(unit.onset_hi) })})`);
    }
    const of = (a, b) => (b ? say("unit.of", { a, b }) : null);
    if (kind === "vehicle") {
      facts(right, [
        [say("unit.p_vehicle"), unit.call ? percent(unit.p_vehicle) : null], [say("unit.suspect"), unit.suspect ? word("part", unit.suspect) : null], [say("unit.since"), since],
        [say("unit.ac_failed"), of(unit.ac_failures, unit.ac_attempts)], [say("unit.dc_charged"), of(unit.dc_charged, unit.dc_attempts)],
        [say("unit.path"), unit.reverse_path_ohm ? `${ohms(unit.reverse_path_ohm)} (${say("unit.between", { a: ohms(unit.reverse_path_lo_ohm), b: ohms(unit.reverse_path_hi_ohm ?? 1e9) })})` : null],
        [say("unit.model"), [unit.model, unit.model_year].filter(Boolean).join(", ")], [say("unit.plate"), unit.plate], [say("unit.vin"), unit.vin],
        [say("unit.inlets"), (unit.inlets ?? "").split(";").filter(Boolean).map((code) => word("inlet", code)).join(", ")],
      ]);
    } else {
      facts(right, [
        [say("unit.p_evse"), unit.call ? percent(unit.p_evse) : null], [say("unit.suspect"), unit.suspect ? word("part", unit.suspect) : null], [say("unit.since"), since],
        [say("unit.attempts_failed"), of(unit.failures, unit.attempts_n)], [say("unit.high"), number(unit.pilot_high_v, 2)], [say("unit.low"), number(unit.pilot_low_v, 2)],
        [say("unit.site"), unit.site_id], [say("unit.station"), unit.station_id], [say("unit.model"), unit.evse_model], [say("unit.firmware"), unit.firmware],
        [say("unit.connector"), unit.connector_type ? word("connector", unit.connector_type) : null], [say("unit.supply"), unit.supply],
      ]);
    }
    if (unit.parts?.length && unit.call !== "clear") {
      element("h3", say("unit.parts"), right);
      facts(right, unit.parts.map((each) => [word("part", each.part), percent(each.p)]));
    }
  }

  function timeline(unit) {
    const a = unit.attempts;
    const n = a ? a.t.length : 0;
    const made = section(say("unit.timeline"), "timeline");
    if (!n) { element("p", say("unit.no_call"), made); return; }
    chart(made, "strip", say("unit.timeline_n", { n }), () => {
      const spec = specOf("timeline", {
        attempts: a.t.map((t, i) => ({ when: iso(t), reached: word("stage", a.outcome[i] === "charged" ? "charged" : a.stage[i]), kind: ["charged", "failed"].includes(a.outcome[i]) ? a.outcome[i] : "other",
          outcome: word("outcome", a.outcome[i]), at: whichside.visible(a.at[i] ?? "–"), fault: whichside.visible(a.fault[i] ?? "–"), local: moment(t, zoneAt(kind === "vehicle" ? a.at[i] : unit.id)) })),
        marks: grouped(unit.marks ?? []).map((marks) => ({ when: iso(marks.at(-1).t), words: marks.map(told).join(", "), row: say("unit.marks") })),
        onset: unit.onset ? [{ when: iso(unit.onset), lo: iso(unit.onset_lo ?? unit.onset), hi: iso(unit.onset_hi ?? unit.onset), words: word("mark", "onset"), row: say("unit.marks") }] : [],
      });
      return spec;
    });
    const lows = a.t.map((t, i) => ({ when: iso(t), low: a.low[i], kind: a.outcome[i] === "failed" ? "failed" : "other", at: whichside.visible(a.at[i] ?? "–"), state: a.state[i], local: moment(t, zoneAt(kind === "vehicle" ? a.at[i] : unit.id)) })).filter((row) => row.low !== null);
    if (lows.length) chart(made, "levels", say("unit.levels"), () => specOf("levels", { readings: lows, onset: unit.onset ? [{ when: iso(unit.onset) }] : [], marks: (unit.marks ?? []).filter((mark) => mark.mark === "repair").map((mark) => ({ when: iso(mark.t) })) }), say("unit.levels_note"));
    if (unit.marks?.length) {
      const list = element("ul", null, made, "plain");
      for (const mark of unit.marks) { const item = element("li", null, list); when(mark.t, null, item, false); item.append(` – ${told(mark)}`); }
    }
  }

  function partners(unit) {
    const made = section(say(`unit.partners_${kind}`), "partners");
    const met = unit.partners, a = unit.attempts;
    if (!met) { element("p", say("unit.nothing"), made); return; }
    const last = new Map(a.t.map((t, i) => [a.at[i], t]));
    const share = (failed, n) => [n ? say("unit.of", { a: failed, b: n }) : "–", n ? failed / n : ""];
    table(made, [[say(`unit.partner_${kind}`)], [say("unit.own_failed"), "num"], [say(kind === "vehicle" ? "unit.others_there" : "unit.elsewhere"), "num"], [say("unit.low"), "num"], [say("unit.high"), "num"], [say("unit.last")]],
      met.at.map((id, i) => [[(cell) => link(other, id, cell)], share(met.failed[i], met.n[i]), share(met.others_failed[i], met.others_n[i]), [number(met.low[i], 2), met.low[i]], [number(met.high[i], 2), met.high[i]],
        [(cell) => when(last.get(id), kind === "vehicle" ? id : unit.id, cell, false), last.get(id)]]), say(`unit.partners_${kind}`));
    if (unit.onset) element("p", say("unit.levels_since"), made, "note");
  }

  function before(unit) {
    const made = section(say("unit.before"), "before");
    const weeks = unit.weeks ?? [];
    if (weeks.length < 2) element("p", say("unit.before_none"), made);
    const list = element("ol", null, made, "weeks");
    for (const week of weeks) {
      const item = element("li", null, list);
      const address = frame.weeks[week.week];
      const name = element(address ? "a" : "span", week.week, item);
      if (address) name.href = address + encodeURIComponent(unit.id);
      badge(week.call, item);
      element("span", percent(week.p), item, "said");
    }
  }

  function decided(unit) {
    if (!frame.links.vehicle && kind === "vehicle") return;
    const made = section(say("unit.decisions"), "decisions");
    if (!unit.decisions?.length) { element("p", say("unit.decisions_none"), made); return; }
    const list = element("ol", null, made, "plain");
    for (const each of unit.decisions) {
      const item = element("li", null, list);
      when(each.t, null, item, false);
      item.append(` – ${word("decision", each.decision)} ${say("unit.by", { name: whichside.visible(each.decided_by) })}${each.reason ? `: ${whichside.visible(each.reason)}` : ""}`);
    }
  }

  function attempts(unit) {
    const a = unit.attempts;
    if (!a) return;
    const made = section(say("unit.latest"), "attempts");
    const heads = [[say("unit.when")], [say(`unit.partner_${kind}`)], [say("unit.outcome")], [say("unit.reached")], [say("unit.word")], [say("unit.seconds"), "num"], [say("unit.blamed"), "num"], [say("unit.energy"), "num"]];
    const row = (i) => [[(cell) => when(a.t[i], kind === "vehicle" ? a.at[i] : unit.id, cell), a.t[i]], (cell) => link(other, a.at[i], cell), word("outcome", a.outcome[i]), word("stage", a.stage[i]), a.fault[i],
      [number(a.s[i], 0), a.s[i]], [a.p[i] === null ? "–" : percent(a.p[i]), a.p[i]], [number(a.kwh[i], 1), a.kwh[i]]];
    const newest = a.t.map((_, i) => i).reverse();
    const failed = newest.filter((i) => a.outcome[i] === "failed").slice(0, 6);
    if (failed.length) table(made, heads, failed.map(row), say("unit.latest")); else element("p", say("unit.nothing"), made);
    const all = element("details", null, made);
    element("summary", say("unit.all_attempts", { n: a.t.length }), all);
    all.addEventListener("toggle", () => { if (all.open && !all.querySelector("table")) table(all, heads, newest.map(row), say("unit.all_attempts", { n: a.t.length })); });
  }

  function driver(unit) {
    if (!unit.driver?.length) return;
    const made = section(say("unit.driver"), "driver");
    const list = element("ul", null, made);
    unit.driver.forEach((line) => element("li", line, list));
  }

  function tests(unit) {
    if (!unit.tests?.length) return;
    const made = section(say("unit.tests"), "tests");
    const list = element("ul", null, made);
    for (const test of unit.tests) { const item = element("li", null, list); link("evse", test.at, item); item.append(` – ${whichside.visible(test.decides)}. ${whichside.visible(test.reason)}`); }
  }

  function proof(unit) {
    if (!unit.proof) return;
    const made = section(say("unit.proof"), "proof");
    const p = element("p", null, made);
    element("strong", say(`proof.${unit.proof.proving}`), p);
    p.append(" ");
    when(unit.proof.t, unit.id, p, false);
    p.append(`: ${word("finding", unit.proof.finding)}. ${say("proof.counted", { tried: unit.proof.tried, failed: unit.proof.failed, clean: unit.proof.clean_attempts })}`);
  }

  function checks(unit) {
    if (!unit.checks) return;
    const made = section(say("unit.checks"), "checks");
    const aside = element("aside", null, made, "caution");
    aside.setAttribute("aria-label", say("unit.cautions"));
    element("p", say("unit.cautions"), aside, "heading");
    const cautions = element("ul", null, aside);
    unit.checks.cautions.forEach((line) => element("li", line, cautions));
    element("p", unit.checks.why, made).lang = "en";
    const list = element("ol", null, made);
    unit.checks.steps.forEach((line) => element("li", line, list));
    list.lang = "en";
    element("p", unit.checks.source, made, "note").lang = "en";
  }

  function tell(id) {
    place.replaceChildren();
    const unit = held.get(id);
    if (!unit) { element("h1", id ? say("unit.unknown", { id }) : say(`unit.${kind}`), place); element("p", say("unit.choose"), place); return; }
    if (!unit.spread) { unit.attempts = spread(unit.attempts); unit.spread = true; }
    unit.why = unit.reason_told ?? { text: unit.reason ?? "", language: "en" };
    unit.attempts_n = kind === "evse" ? unit.attempts_counted : null;
    for (const part of [head, numbers, proof, checks, driver, timeline, partners, tests, before, decided, attempts]) part(unit);
    place.dataset.ready = unit.id;
  }

  const inPage = document.getElementById("unit-data");
  if (inPage) {
    const unit = JSON.parse(inPage.textContent);
    held.set(unit.id, unit);
    tell(unit.id);
  } else {
    const asked = new Map();
    const fromAddress = async () => {
      if (!globalThis.DecompressionStream) { element("h1", say("unit.old_browser"), place); return; }
      let id = "";
      try { id = decodeURIComponent(location.hash.slice(1)); } catch { /* an address nobody of ours made */ }
      await whichside.withIndex();
      const at = whichside.index.filter((row) => row[0] === kind).findIndex((row) => row[1] === id);
      if (at >= 0) {
        const file = `${frame.assets}${kind}s-${Math.floor(at / frame.shard)}.js`;
        if (!asked.has(file)) asked.set(file, whichside.load(file));
        await asked.get(file);
        await Promise.all(unpacking);
      }
      tell(id);
      scrollTo(0, 0);
    };
    addEventListener("hashchange", fromAddress);
    fromAddress();
  }
}
