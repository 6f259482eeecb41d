"use strict";
// The table of lots: filtered, sorted, and only the rows in sight exist in the page.
lotMap.table = (() => {
  const { content, tables, frontier, say } = lotMap.read;
  const { state, count, inBudget } = lotMap.plan;
  const { element } = lotMap.card;
  const lots = tables.lots;
  const frame = document.getElementById("rows");
  const [head, body] = [frame.querySelector("thead"), frame.querySelector("tbody")];
  const columns = content.table_columns.map((name) => lots.field(name));
  const SPARE = 8; // rows made beyond those in sight
  const inOrder = new Intl.Collator("en", { numeric: true }).compare;
  const sorting = { name: "exposure", down: true };
  const filters = { search: "", verdicts: null, ranges: new Map() };
  let rows = new Int32Array(0); // rows of the lots as shown, in order
  let active = 0; // place of the row that the keyboard is on
  let rowPx = 31;
  let choose = () => {};

  // --- filters and order -------------------------------------------------------------------------------------------

  function applyFilters() {
    const wanted = filters.search.trim().toLowerCase();
    const codes = lots.has("verdict") && lots.numbers("verdict");
    const isFound = wanted ? (content.index ? lotMap.index.find(wanted) : rowsNamed(wanted)) : null;
    const ranges = [...filters.ranges].map(([name, range]) => [lots.numbers(name), range.least, range.most]);
    for (let row = 0; row < count; row++) {
      let ok = !isFound || isFound.has(row);
      if (ok && filters.verdicts && !filters.verdicts.has(codes[row])) ok = false;
      for (const [numbers, least, most] of ranges) if (ok && !(numbers[row] >= least && numbers[row] <= most)) ok = false;
      if (ok && state.budgetStop && !inBudget(row)) ok = false;
      state.matches[row] = ok ? 1 : 0;
    }
    sortRows();
  }

  function rowsNamed(wanted) {
    const ids = lots.numbers(content.key), named = new Set();
    const found = (lots.field(content.key).words ?? []).map((word) => word.toLowerCase().includes(wanted));
    for (let row = 0; row < count; row++) if (ids[row] && found[ids[row] - 1]) named.add(row);
    return named;
  }

  function sortRows() {
    const field = lots.field(sorting.name), numbers = lots.numbers(sorting.name), turn = sorting.down ? -1 : 1;
    const kept = [];
    for (let row = 0; row < count; row++) if (state.matches[row]) kept.push(row);
    let keys = numbers;
    if (field.type === "text") { // words are compared once each, then only their places
      const order = Int32Array.from(field.words, (_, i) => i).sort((a, b) => inOrder(field.words[a], field.words[b]));
      const places = new Float64Array(field.words.length + 1).fill(NaN);
      order.forEach((word, place) => { places[word + 1] = place; });
      keys = Float64Array.from(numbers, (code) => places[code]);
    }
    kept.sort((a, b) => {
      const [x, y] = [keys[a], keys[b]];
      if (Number.isNaN(x) || Number.isNaN(y)) return Number.isNaN(x) - Number.isNaN(y) || a - b; // missing ones stay last
      return turn * (x - y) || a - b;
    });
    rows = Int32Array.from(kept);
    active = Math.max(0, rows.indexOf(state.chosen?.table === "lots" ? state.chosen.row : -1));
    document.getElementById("found").textContent =
      `${rows.length.toLocaleString("en-US")} of ${count.toLocaleString("en-US")} ${content.many}`;
    render();
  }

  // --- drawing -----------------------------------------------------------------------------------------------------

  const headingOf = ({ name, title, unit }) =>
    ({ parcel_id: "Lot", cost_share: "Share ($)", cost_likely: "Cost ($)" })[name] ?? (unit ? `${title} (${unit})` : title);

  function makeHead() {
    const widths = { [content.key]: 24, verdict: 26, exposure: 18 };
    const line = element("tr");
    for (const field of columns) {
      const cell = element("th", undefined, field.type === "number" ? "number" : "");
      cell.scope = "col";
      cell.style.width = `${widths[field.name] ?? 32 / Math.max(1, columns.length - 3)}%`;
      cell.dataset.name = field.name;
      const press = element("button", headingOf(field));
      press.type = "button";
      press.title = `${field.meaning} Press to sort.`;
      press.addEventListener("click", () => {
        sorting.down = sorting.name === field.name ? !sorting.down : field.type === "number";
        sorting.name = field.name;
        markHead();
        sortRows();
        frame.scrollTop = 0;
      });
      cell.append(press);
      line.append(cell);
    }
    head.replaceChildren(line);
    markHead();
  }

  function markHead() {
    for (const cell of head.querySelectorAll("th")) {
      const sorted = cell.dataset.name === sorting.name;
      cell.setAttribute("aria-sort", sorted ? (sorting.down ? "descending" : "ascending") : "none");
    }
  }

  function makeRow(place) {
    const row = rows[place];
    const line = element("tr");
    line.setAttribute("aria-rowindex", place + 2);
    line.setAttribute("aria-selected", state.chosen?.table === "lots" && state.chosen.row === row);
    line.tabIndex = place === active ? 0 : -1;
    line.dataset.place = place;
    for (const field of columns) {
      const value = lots.value(field.name, row);
      const cell = element("td", undefined, field.type === "number" ? "number" : "");
      if (field.name === state.scheme) {
        const key = element("i");
        key.style.background = content.schemes[state.scheme].classes[content.schemes[state.scheme].of[row]].fillColor;
        cell.append(key);
      }
      cell.append(sayShort(value, field));
      if (field.type === "text" && value) cell.title = value;
      line.append(cell);
    }
    return line;
  }

  function sayShort(value, field) {
    if (typeof value !== "number") return say(value, field);
    const digits = field.name.startsWith("cost_") ? 0 : field.decimals ?? 0; // the same in all rows, so that points stand below each other
    return value.toLocaleString("en-US", { minimumFractionDigits: digits, maximumFractionDigits: digits });
  }

  function gap(height) {
    const line = element("tr", undefined, "gap");
    line.setAttribute("aria-hidden", "true");
    const cell = element("td");
    cell.colSpan = columns.length;
    cell.style.height = `${height}px`;
    line.append(cell);
    return line;
  }

  function render() {
    const hadFocus = body.contains(document.activeElement);
    const inSight = Math.ceil(frame.clientHeight / rowPx) + SPARE;
    const first = Math.max(0, Math.min(Math.floor(frame.scrollTop / rowPx) - SPARE / 2, rows.length - inSight));
    const last = Math.min(rows.length, first + inSight);
    const lines = [];
    for (let place = first; place < last; place++) lines.push(makeRow(place));
    if (lines.length && (active < first || active >= last)) lines[0].tabIndex = 0;
    body.replaceChildren(...(first ? [gap(first * rowPx)] : []), ...lines, ...(last < rows.length ? [gap((rows.length - last) * rowPx)] : []));
    frame.querySelector("table").setAttribute("aria-rowcount", rows.length + 1);
    if (lines.length && lines[0].offsetHeight) rowPx = lines[0].offsetHeight;
    if (hadFocus) focusActive();
  }

  const focusActive = () => body.querySelector(`tr[data-place="${active}"]`)?.focus({ preventScroll: true });

  function bringIntoSight(place) {
    const top = place * rowPx, space = frame.clientHeight - head.offsetHeight;
    if (top < frame.scrollTop) frame.scrollTop = top;
    else if (top + rowPx > frame.scrollTop + space) frame.scrollTop = top + rowPx - space;
  }

  function showRow(row) {
    const place = rows.indexOf(row);
    if (place >= 0) {
      active = place;
      bringIntoSight(place);
    }
    render();
    return place >= 0;
  }

  function onKey(event) {
    const page = Math.max(1, Math.floor((frame.clientHeight - head.offsetHeight) / rowPx) - 1);
    const moves = { ArrowDown: 1, ArrowUp: -1, PageDown: page, PageUp: -page, Home: -Infinity, End: Infinity };
    const line = event.target.closest("tr[data-place]");
    if (!line) return;
    if (event.key in moves) {
      active = Math.max(0, Math.min(rows.length - 1, Number(line.dataset.place) + moves[event.key]));
      bringIntoSight(active);
      render();
      focusActive();
      event.preventDefault();
    } else if (event.key === "Enter" || event.key === " ") {
      active = Number(line.dataset.place);
      choose(rows[active]);
      event.preventDefault();
    }
  }

  function start(whenChosen) {
    choose = whenChosen;
    if (!columns.some((field) => field.name === sorting.name)) sorting.name = content.key;
    makeHead();
    frame.addEventListener("scroll", render, { passive: true });
    new ResizeObserver(render).observe(frame);
    body.addEventListener("keydown", onKey);
    body.addEventListener("click", (event) => {
      const line = event.target.closest("tr[data-place]");
      if (line) {
        active = Number(line.dataset.place);
        choose(rows[active]);
      }
    });
    applyFilters();
  }

  return { filters, frontier, start, applyFilters, render, showRow, rows: () => rows };
})();
