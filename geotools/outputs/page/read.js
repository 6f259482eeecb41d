"use strict";
// Reads the embedded plan: packed shapes and columns become typed arrays.
const lotMap = {};
lotMap.read = (() => {
  const content = JSON.parse(document.getElementById("plan-data").textContent);

  // Whole numbers of seven bits a byte, low bits first; the eighth bit says that more follow.
  function unpack(text, Kind, signed) {
    const raw = atob(text);
    let count = 0;
    for (let i = 0; i < raw.length; i++) if (raw.charCodeAt(i) < 128) count++;
    const numbers = new Kind(count);
    let value = 0, weight = 1, at = 0;
    for (let i = 0; i < raw.length; i++) {
      const byte = raw.charCodeAt(i);
      if (byte > 127) {
        value += (byte - 128) * weight;
        weight *= 128;
        continue;
      }
      value += byte * weight;
      numbers[at++] = signed ? unfold(value) : value;
      value = 0;
      weight = 1;
    }
    return numbers;
  }

  const unfold = (value) => (value % 2 ? -(value + 1) / 2 : value / 2); // 0, 1, 2, 3 are 0, -1, 1, -2

  function addUp(steps, apart) {
    for (let i = apart; i < steps.length; i++) steps[i] += steps[i - apart];
    return steps;
  }

  function startsOf(counts) {
    const starts = new Int32Array(counts.length + 1);
    for (let i = 0; i < counts.length; i++) starts[i + 1] = starts[i] + counts[i];
    return starts;
  }

  // Shapes: feature i has the parts firstPart[i] to firstPart[i + 1], part k the points firstPoint[k] to firstPoint[k + 1].
  function readShapes(packed) {
    const points = unpack(packed.points, Int32Array);
    const shapes = {
      count: packed.count,
      rows: addUp(unpack(packed.rows, Int32Array), 1),
      firstPart: startsOf(unpack(packed.parts, Int32Array)),
      firstPoint: startsOf(points.map((code) => code >> 2)),
      ring: Uint8Array.from(points, (code) => (code >> 1) & 1),
      outer: Uint8Array.from(points, (code) => code & 1),
      xy: addUp(unpack(packed.xy, Int32Array, true), 2),
      at: packed.at ? addUp(unpack(packed.at, Int32Array, true), 2) : null,
    };
    shapes.box = boxesOf(shapes);
    return shapes;
  }

  function boxesOf({ count, firstPart, firstPoint, xy }) {
    const box = new Int32Array(4 * count);
    for (let i = 0; i < count; i++) {
      let west = Infinity, south = Infinity, east = -Infinity, north = -Infinity;
      const end = 2 * firstPoint[firstPart[i + 1]];
      for (let p = 2 * firstPoint[firstPart[i]]; p < end; p += 2) {
        if (xy[p] < west) west = xy[p];
        if (xy[p] > east) east = xy[p];
        if (xy[p + 1] < south) south = xy[p + 1];
        if (xy[p + 1] > north) north = xy[p + 1];
      }
      box.set([west, south, east, north], 4 * i);
    }
    return box;
  }

  // Tables by column, read when first asked for. Missing: NaN among numbers, code 0 among words.
  function makeTable({ count, fields }) {
    const known = new Map();
    const byName = new Map(fields.map((field) => [field.name, field]));

    function numbers(name) {
      if (!known.has(name)) known.set(name, readColumn(byName.get(name)));
      return known.get(name);
    }

    function value(name, row) {
      const field = byName.get(name);
      if (!field) return null;
      const number = numbers(name)[row];
      if (field.type === "text") return number ? field.words[number - 1] : null;
      if (Number.isNaN(number)) return null;
      return field.type === "yes_no" ? Boolean(number) : number;
    }

    return { count, fields, has: (name) => byName.has(name), field: (name) => byName.get(name), numbers, value };
  }

  function readColumn(field) {
    if (field.plain) return Float64Array.from(field.plain, (number) => (number === null ? NaN : number));
    if (field.type === "text") return unpack(field.values, Int32Array);
    const numbers = unpack(field.values, Float64Array);
    for (let i = 0; i < numbers.length; i++) numbers[i] = numbers[i] ? unfold(numbers[i] - 1) / field.scale : NaN;
    return numbers;
  }

  function say(value, field) {
    if (value === null) return "";
    if (typeof value === "boolean") return value ? "yes" : "no";
    if (typeof value !== "number") return value;
    const money = field.name.startsWith("cost_");
    const digits = money && Math.abs(value) >= 100 ? 0 : field.decimals ?? 3;
    const text = value.toLocaleString("en-US", { maximumFractionDigits: digits });
    return field.unit ? `${text} ${field.unit}` : text;
  }

  const layers = content.layers.map(({ shapes: packed, ...layer }) => {
    let shapes = null;
    return Object.defineProperty(layer, "shapes", { get: () => (shapes ??= readShapes(packed)) }); // when first drawn
  });
  const tables = {};
  for (const [name, packed] of Object.entries(content.tables)) tables[name] = makeTable(packed);
  const readStop = (stop) => ({ ...stop, swaps: new Set(addUp(unpack(stop.swaps, Int32Array), 1)) });
  const frontier = content.frontier && {
    ...content.frontier,
    joins: unpack(content.frontier.joins, Int32Array),
    stops: content.frontier.stops.map(readStop),
  };
  const sheets = content.sheets && unpack(content.sheets.pages, Int32Array);
  return { content, layers, tables, frontier, sheets, say, unpack };
})();
