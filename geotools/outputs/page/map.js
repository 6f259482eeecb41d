"use strict";
// Brings map, legend, table and card together: what is chosen in one shows in all.
lotMap.start = (map) => {
  const { content, tables, frontier } = lotMap.read;
  const { plan, table, share, card, index } = lotMap;
  const { state } = plan;
  const lots = tables.lots;
  const byId = (id) => document.getElementById(id);
  const isWide = window.matchMedia("(min-width: 721px)");
  const isCalm = window.matchMedia("(prefers-reduced-motion: reduce)");
  const canvas = new lotMap.draw.PlanCanvas();
  const redraw = () => canvas._map && canvas._update();
  const tell = (text) => { byId("status").textContent = text; };

  // --- choosing ----------------------------------------------------------------------------------------------------

  const rowByLot = new Map();
  for (let row = plan.count - 1; row >= 0; row--) rowByLot.set(lots.value(content.key, row), row);
  const rowOfLot = (id) => rowByLot.get(id) ?? -1;

  function show(chosen, { move = true, focus = true } = {}) {
    state.chosen = chosen;
    card.fill(chosen, acts);
    const row = chosen?.table === "lots" ? chosen.row : -1;
    if (row >= 0) {
      if (!table.showRow(row)) tell(`${card.named(row)} is not among the filtered ${content.many}`);
      else tell("");
      rememberLot(row);
      if (!isWide.matches) showPart("map");
      if (move && plan.featureOf[row] >= 0) moveTo(row);
    } else table.render();
    if (chosen && focus) byId("card").focus({ preventScroll: true });
    redraw();
  }

  const acts = {
    show,
    rowOfLot,
    close() {
      const row = state.chosen?.table === "lots" ? state.chosen.row : -1;
      show(null);
      if (row >= 0) document.querySelector("#rows tr[tabindex='0']")?.focus({ preventScroll: true });
      history.replaceState(null, "", window.location.pathname + window.location.search);
    },
    async copyLink() {
      tell((await share.copyLink(state.chosen.row)) ? "Link copied" : "The link can't be copied here: take it from the address line");
    },
  };

  function rememberLot(row) {
    if (share.inAddress(content.one) !== lots.value(content.key, row)) history.replaceState(null, "", share.fragmentOf(row));
  }

  function moveTo(row) {
    const bounds = plan.lotBounds(row);
    lotMap.wholeSite = false;
    const size = map.latLngToContainerPoint(bounds.getSouthEast()).subtract(map.latLngToContainerPoint(bounds.getNorthWest()));
    const options = { ...paddings(), animate: !isCalm.matches };
    if (Math.min(size.x, size.y) < 70) map.fitBounds(bounds.pad(content.index ? 4 : 0.8), { ...options, maxZoom: 20 });
    else map.panInsideBounds(bounds.pad(0.2), options);
  }

  function paddings() {
    const legend = byId("legend");
    const covered = isWide.matches && byId("legend-switch").getAttribute("aria-expanded") === "true" ? legend.offsetWidth + 10 : 0;
    const below = isWide.matches ? 0 : byId("card").offsetHeight;
    return { paddingTopLeft: [16 + covered, 16], paddingBottomRight: [16, 16 + below] };
  }

  function showAll() {
    const [west, south, east, north] = content.bounds;
    const corners = [[west, south], [east, north]].map(([x, y]) => L.CRS.EPSG3857.unproject(L.point(x, y)));
    map.fitBounds(L.latLngBounds(corners), { ...paddings(), animate: false });
    lotMap.wholeSite = true;
  }

  function followAddress() {
    const wanted = share.inAddress("find");
    if (wanted !== null) {
      byId("search").value = table.filters.search = wanted;
      refilter();
    }
    const id = share.inAddress(content.one);
    if (id !== null && rowOfLot(id) >= 0) show({ table: "lots", row: rowOfLot(id) }, { focus: false });
    else if (id !== null || share.inAddress("lot") !== null) lookElsewhere(share.inAddress("lot"));
  }

  // A link to a lot that this page doesn't show: a part leads to the first page, which knows the part of every lot.
  function lookElsewhere(lot) {
    const there = lot === null ? null : content.index ? index.lotAddress(lot) : content.overview && `${content.overview}#lot=${encodeURIComponent(lot)}`;
    if (there) window.location.replace(there);
    else tell(lot === null ? `There is no such ${content.one} on this map` : `There is no lot ${lot} on this map`);
  }

  // --- map ---------------------------------------------------------------------------------------------------------

  function startMap() {
    const box = map.getContainer();
    box.setAttribute("role", "region");
    box.setAttribute("aria-label", "Map of the lots: arrow keys move it, plus and minus zoom; the table beside it has the same " + content.many);
    const unitsPerPixel = () => 1 / lotMap.draw.worldView(map.getZoom()).scale;
    map.on("click", (event) => show(plan.thingAt(...plan.unitsOf(event.latlng), unitsPerPixel()), { move: false, focus: false }));
    map.on("mousemove", (event) => box.classList.toggle("on-thing", plan.lotAt(...plan.unitsOf(event.latlng)) >= 0));
    map.on("dragstart zoomstart", () => { lotMap.wholeSite = false; });
    canvas.addTo(map);
    new ResizeObserver(() => {
      if (box.offsetWidth) map.invalidateSize({ animate: false }); // hidden while printing, or on a phone
    }).observe(box);
    document.addEventListener("pointerdown", () => document.body.classList.add("pointer"), true);
    document.addEventListener("keydown", () => document.body.classList.remove("pointer"), true);
  }

  // --- legend ------------------------------------------------------------------------------------------------------

  function startLegend() {
    document.querySelectorAll("canvas.swatch").forEach(lotMap.draw.drawSwatch);
    for (const box of document.querySelectorAll("input[data-shows]")) {
      const take = () => {
        if (box.checked) state.hidden.delete(box.dataset.shows); else state.hidden.add(box.dataset.shows);
      };
      take(); // a reloaded page may remember its boxes
      box.addEventListener("change", () => { take(); redraw(); });
    }
    for (const choice of document.querySelectorAll("input[name='scheme']")) choice.addEventListener("change", takeScheme);
    byId("lengths")?.addEventListener("change", (event) => { state.lengths = event.target.checked; redraw(); });
    byId("legend-switch").addEventListener("click", () => openLegend(byId("legend-body").hidden));
    startLabels();
    takeScheme();
  }

  function takeScheme() {
    state.scheme = document.querySelector("input[name='scheme']:checked").value;
    for (const group of document.querySelectorAll("fieldset[data-scheme]")) group.hidden = group.dataset.scheme !== state.scheme;
    table.render();
    redraw();
  }

  function openLegend(open) {
    byId("legend-body").hidden = !open;
    byId("legend-switch").setAttribute("aria-expanded", open);
  }

  function startLabels() {
    const names = ["exposure", content.key, "lots", "to_build", "verdict", "cost_share", "cost_likely", "length_ft", "length_m"];
    const choice = byId("label-choice");
    for (const name of names) {
      if (!lots.has(name) || lots.numbers(name).every((number) => Number.isNaN(number))) continue;
      choice.append(new Option(name === "parcel_id" ? "Lot number" : lots.field(name).title, name));
    }
    choice.append(new Option("Nothing", ""));
    choice.addEventListener("change", () => { state.label = choice.value; redraw(); });
  }

  // --- filters -----------------------------------------------------------------------------------------------------

  function startFilters() {
    let wait = 0;
    const soon = () => { clearTimeout(wait); wait = setTimeout(refilter, plan.count > 5000 ? 150 : 0); };
    byId("search").addEventListener("input", (event) => { table.filters.search = event.target.value; soon(); });
    byId("search").addEventListener("keydown", (event) => {
      if (event.key !== "Enter") return;
      clearTimeout(wait);
      refilter();
      if (content.index && index.first()) window.location.href = index.first();
      else if (table.rows().length) show({ table: "lots", row: table.rows()[0] });
    });
    startVerdicts();
    const costs = ["cost_share", "cost_likely"].find((name) => content.table_columns.includes(name));
    addRange("exposure", lots.field("exposure").title, 100);
    if (costs) addRange(costs, costs === "cost_share" ? "Share $" : "Cost $");
    byId("clear").addEventListener("click", clearFilters);
  }

  function startVerdicts() {
    byId("verdicts").hidden = !lots.has("verdict");
    if (!lots.has("verdict")) return;
    const words = lots.field("verdict").words ?? [];
    const codes = lots.numbers("verdict");
    const counts = new Int32Array(words.length + 1);
    for (const code of codes) counts[code]++;
    const order = content.schemes.verdict.classes.map((one) => one.title);
    const known = words.map((word, n) => ({ word, code: n + 1 })).sort((a, b) => order.indexOf(a.word) - order.indexOf(b.word));
    if (counts[0]) known.push({ word: "no verdict", code: 0 });
    for (const { word, code } of known) {
      const label = card.element("label");
      const box = card.element("input");
      Object.assign(box, { type: "checkbox", checked: true, value: code });
      label.append(box, `${word} `, card.element("small", counts[code].toLocaleString("en-US")));
      byId("verdicts").append(label);
      box.addEventListener("change", () => {
        const boxes = [...document.querySelectorAll("#verdicts input")];
        table.filters.verdicts = boxes.every((one) => one.checked) ? null : new Set(boxes.filter((one) => one.checked).map((one) => Number(one.value)));
        refilter();
      });
    }
  }

  function addRange(name, title, most) {
    const group = card.element("span", undefined, "range");
    const ends = ["from", "to"].map((end) => {
      const label = card.element("label", end === "from" ? `${title} ` : "to ");
      const box = card.element("input");
      Object.assign(box, { type: "number", min: 0, placeholder: end === "from" ? "0" : most ?? "any" });
      if (most) box.max = most;
      box.setAttribute("aria-label", `${title}, ${end}`);
      label.append(box);
      group.append(label);
      return box;
    });
    const take = () => {
      const [least, top] = ends.map((box) => (box.value === "" ? null : Number(box.value)));
      if (least === null && top === null) table.filters.ranges.delete(name);
      else table.filters.ranges.set(name, { least: least ?? -Infinity, most: top ?? Infinity });
      refilter();
    };
    ends.forEach((box) => box.addEventListener("input", take));
    byId("ranges").append(group);
  }

  function clearFilters() {
    Object.assign(table.filters, { search: "", verdicts: null });
    table.filters.ranges.clear();
    byId("search").value = "";
    document.querySelectorAll("#ranges input").forEach((box) => { box.value = ""; });
    document.querySelectorAll("#verdicts input").forEach((box) => { box.checked = true; });
    if (frontier) {
      byId("budget-on").checked = false;
      state.budgetStop = null;
    }
    refilter();
    showAll();
  }

  function refilter() {
    table.applyFilters();
    index.showEnds(table.filters.search.trim(), table.rows().length);
    redraw();
  }

  // --- budget ------------------------------------------------------------------------------------------------------

  function startBudget() {
    if (!frontier) return;
    const { stops } = frontier;
    const [on, slider, money] = ["budget-on", "budget-stop", "budget-usd"].map(byId);
    slider.max = slider.value = stops.length - 1;
    const take = (budget) => { // in cents
      const at = Math.max(0, stops.findLastIndex((stop) => stop.cents <= budget));
      slider.value = at;
      const says = sayChoice(stops[at], stops[at + 1], budget);
      byId("budget-says").textContent = on.checked ? `${says} ${ABOUT_LINES}` : "Move the slider, or write a sum.";
      slider.setAttribute("aria-valuetext", says);
      state.budgetStop = on.checked ? stops[at] : null;
      refilter();
    };
    const budgetNow = () => Math.max(0, Number(money.value)) * 100;
    const fillMoney = () => { money.value = Math.ceil(stops[Number(slider.value)].cents / 100); };
    slider.addEventListener("input", () => { on.checked = true; fillMoney(); take(budgetNow()); });
    money.addEventListener("input", () => { on.checked = true; take(budgetNow()); });
    on.addEventListener("change", () => take(budgetNow()));
    fillMoney();
    take(budgetNow());
  }

  const ABOUT_LINES = "The lines drawn stay those of the plan.";

  function sayChoice(stop, next, budget) {
    const dollars = (cents) => `$${Math.round(cents / 100).toLocaleString("en-US")}`;
    const pct = (number) => `${(Math.round(number * 10) / 10).toLocaleString("en-US")} %`;
    const left = Math.floor((budget - stop.cents) / 100);
    const words = [`${dollars(stop.cents)} protects ${stop.lots.toLocaleString("en-US")} lots${stop.worth_pct === null ? "" : `, ${pct(stop.worth_pct)} of the exposure that can be closed off`}`];
    if (left > 0) words.push(`$${left.toLocaleString("en-US")} of the budget is left`);
    if (!next) return `${words.join("; ")}: all that can be.`;
    if (stop.worth_pct !== null) {
      const most = boundAt(budget);
      words.push(most - stop.worth_pct < 1e-8 ? "proven the best for this budget" : `no choice for this budget can protect more than ${pct(Math.ceil(most * 10) / 10)}`);
    }
    return `${words.join("; ")}. The next choice shown costs ${dollars(next.cents)}.`;
  }

  // What no choice within a budget can protect more than: the straight line between break points, and proofs by search.
  function boundAt(budget) {
    const { points, bounds } = frontier;
    const k = Math.max(0, points.findLastIndex(([cents]) => cents <= budget));
    const [low, high] = [points[k], points[k + 1]];
    const straight = high ? low[1] + ((high[1] - low[1]) * (budget - low[0])) / (high[0] - low[0]) : low[1];
    return Math.min(straight, bounds.find(([cents]) => cents >= budget)?.[1] ?? Infinity);
  }

  // --- the page ----------------------------------------------------------------------------------------------------

  function showPart(name) {
    document.body.dataset.view = name;
    for (const press of document.querySelectorAll(".views button")) press.setAttribute("aria-pressed", press.dataset.view === name);
    openLegend(true);
    if (state.chosen?.table === "lots") table.showRow(state.chosen.row); else table.render();
  }

  function startSharing() {
    byId("save-table").addEventListener("click", () => {
      share.saveTable(table.rows());
      tell(`${table.rows().length.toLocaleString("en-US")} rows saved`);
    });
    byId("save-lots").addEventListener("click", () => tell(`${share.saveLots(table.rows()).toLocaleString("en-US")} ${content.many} saved`));
    share.watchPrinting(map, () => {
      const lines = [byId("found").textContent, frontier && state.budgetStop ? byId("budget-says").textContent : ""];
      byId("print-note").textContent = table.rows().length < plan.count ? `Shown: ${lines.join(". ")}` : "";
    });
    window.addEventListener("hashchange", followAddress);
  }

  startLegend();
  startMap();
  table.start((row) => show({ table: "lots", row }, { focus: false }));
  startFilters();
  startBudget();
  startSharing();
  for (const press of document.querySelectorAll(".views button")) press.addEventListener("click", () => showPart(press.dataset.view));
  showAll();
  followAddress();
  lotMap.ready = true;
};
