"use strict";
// Writes the card of a lot, a line or a mark. Every text of the data goes in as text.
lotMap.card = (() => {
  const { content, tables, sheets, say } = lotMap.read;
  const { rowsOf } = lotMap.plan;
  const TITLES = { barrier_lines: ["Line", "line_id"], ways_in: ["Way in"], footholds: ["Foothold", "foothold_id"], planned_gates: ["Gate to build"] };
  const ON_LOT = [["ways_in", "Ways in, to seal first", "opening"], ["footholds", "Footholds near the line", "height"], ["planned_gates", "Gates to build", "width"]];
  const SPEC = ["option", "length", "height", "mesh_opening", "burial", "roll_width", "posts", "corners", "gates", "ways_in", "footholds_to_clear"];

  function element(tag, text, className) {
    const made = document.createElement(tag);
    if (text !== undefined && text !== null) made.textContent = text;
    if (className) made.className = className;
    return made;
  }

  function button(text, act) {
    const made = element("button", text);
    made.type = "button";
    made.addEventListener("click", act);
    return made;
  }

  function listOf(table, row, wanted) {
    const list = element("dl");
    for (const field of table.fields) {
      const value = table.value(field.name, row);
      if (value === null || value === "" || !wanted(field.name)) continue;
      const term = element("dt", field.title);
      term.title = field.meaning;
      const money = field.name.startsWith("cost_") && typeof value === "number" ? "$" : "";
      list.append(term, element("dd", money + say(value, field)));
    }
    return list;
  }

  function exposureBar(table, row) {
    const parts = table.fields.filter((field) => field.name.startsWith("points_") && table.value(field.name, row) !== null);
    const bar = element("div", undefined, "bar");
    const list = element("div", undefined, "parts");
    bar.setAttribute("aria-hidden", "true");
    if (!parts.length) return [];
    parts.forEach((field, n) => {
      const points = table.value(field.name, row);
      const piece = element("i", undefined, `tone${n % 8}`);
      piece.style.width = `${Math.max(0, Math.min(100, points))}%`;
      if (points > 0) bar.append(piece);
      const part = element("span", undefined, "part");
      const key = element("i", undefined, `tone${n % 8}`);
      part.append(key, `${field.title.replace("Exposure from ", "")} `, element("b", points.toFixed(1)));
      list.append(part);
    });
    return [bar, list];
  }

  function toPutRight(lotId, show) {
    const made = [];
    for (const [table, title, measure] of ON_LOT) {
      const rows = rowsOf(table, lotId);
      if (!rows.length) continue;
      const list = element("ul");
      for (const row of rows) {
        const source = tables[table];
        const field = source.fields.find(({ name }) => name.startsWith(`${measure}_`));
        const size = field && source.value(field.name, row);
        const words = [source.value("kind", row), size === null ? "" : `${measure} ${say(size, field)}`].filter(Boolean).join(", ");
        const item = element("li");
        item.append(button(words || TITLES[table][0], () => show({ table, row })), ` ${source.value("remedy", row) ?? source.value("place", row) ?? ""}`);
        list.append(item);
      }
      made.push(element("h3", title), list);
    }
    return made;
  }

  // "Lot 12"
  const named = (row) => `${content.one[0].toUpperCase()}${content.one.slice(1)} ${tables.lots.value(content.key, row)}`;

  function partLink(row) {
    if (!content.files) return [];
    const part = tables.lots.value("part", row);
    const link = element("a", `See its lots on part ${part}`);
    link.href = content.files[part - 1];
    return [link];
  }

  function sheetLink(row) {
    const page = sheets ? sheets[row] : 0;
    if (!page) return [];
    const link = element("a", `Sheet (page ${page})`);
    link.href = `${content.sheets.file}#page=${page}`;
    return [link];
  }

  function fillLot(card, row, acts) {
    const table = tables.lots;
    const lotId = table.value(content.key, row);
    const head = element("div", undefined, "head");
    head.append(element("h2", named(row)));
    const verdict = table.value("verdict", row);
    if (verdict) head.append(element("p", verdict, "verdict"));
    head.append(button("Copy link", acts.copyLink), ...sheetLink(row), ...partLink(row), closer(acts));
    card.append(head);
    const reason = table.value("reason", row);
    if (reason) card.append(element("p", reason, "reason"));
    const exposure = table.value("exposure", row);
    if (exposure !== null) {
      const rank = table.value("exposure_rank", row);
      const place = rank === null ? "" : `, place ${rank.toLocaleString("en-US")} of ${content.lots_in_all.toLocaleString("en-US")}`;
      card.append(element("h3", `${table.field("exposure").title} ${exposure.toFixed(1)} of 100${place}`), ...exposureBar(table, row));
    }
    const spec = listOf(table, row, (name) => SPEC.includes(name.replace(/_(ft|in|m|mm)$/, "")) || SPEC.includes(name));
    if (spec.children.length) card.append(element("h3", "What to build"), spec);
    const costs = listOf(table, row, (name) => name.startsWith("cost_") || name === "share_rule");
    if (costs.children.length) card.append(element("h3", "Cost"), costs);
    card.append(...toPutRight(lotId, acts.show));
    const rest = listOf(table, row, (name) => !/^(parcel_id|square|exposure|exposure_rank|verdict|reason|share_rule|cost_.*|points_.*)$/.test(name) &&
      !SPEC.includes(name) && !SPEC.includes(name.replace(/_(ft|in|m|mm)$/, "")));
    if (rest.children.length) card.append(element("h3", content.index ? "Its lots" : "More about it"), rest);
    const cautions = [...document.querySelectorAll("#cautions li")].slice(0, 5).map((item) => item.textContent);
    card.append(element("h3", "Cautions"), element("p", cautions.join(" "), "note"));
  }

  function fillThing(card, { table: name, row }, acts) {
    const table = tables[name];
    const [title, own] = TITLES[name];
    const head = element("div", undefined, "head");
    head.append(element("h2", own && table.value(own, row) !== null ? `${title} ${table.value(own, row)}` : title));
    const lotRow = acts.rowOfLot(table.value("parcel_id", row));
    if (lotRow >= 0) head.append(button("Show its lot", () => acts.show({ table: "lots", row: lotRow })));
    head.append(closer(acts));
    card.append(head);
    const reason = table.value("reason", row);
    if (reason) card.append(element("p", reason));
    card.append(listOf(table, row, (column) => column !== own && column !== "reason"));
  }

  function closer(acts) {
    const made = button("Close", acts.close);
    made.classList.add("close");
    return made;
  }

  function fill(chosen, acts) {
    const card = document.getElementById("card");
    card.replaceChildren();
    card.hidden = !chosen;
    if (!chosen) return;
    card.scrollTop = 0;
    if (chosen.table === "lots") fillLot(card, chosen.row, acts); else fillThing(card, chosen, acts);
  }

  return { fill, element, named };
})();
