"use strict";
// The page's own script: draws the embedded layers, writes the cards as plain text, and works the legend's switches.
const lotMap = (() => {
  const read = (id) => JSON.parse(document.getElementById(id).textContent);
  const tables = read("data-tables");
  const layers = new Map();
  const labels = new Map();
  const LABEL_LEAST_PX = 26; // a lot narrower than this on the screen gets no label
  const LEAST_STROKE = 0.2; // strokes never get thinner than this share of their width
  const LEAST_MARK = 0.65;
  let strokeScale = 1; // strokes grow with the zoom: full width would hide small lots

  // --- drawing -----------------------------------------------------------------------------------------------------

  const tile = 10;
  const hatchPaths = {
    "dots": "M2 2h1.6v1.6h-1.6z M7 7h1.6v1.6h-1.6z",
    "dashes": "M0.5 2.5h4 M5.5 7.5h4",
    "lines": "M-1 11L11 -1",
    "close lines": "M-1 6L6 -1 M-1 11L11 -1 M4 11L11 4",
    "cross": "M-1 11L11 -1 M-1 -1L11 11",
    "waves": "M0 4q2.5 -3 5 0t5 0",
  };
  const hatches = new Map();

  function hatchFor(context, kind, ink) {
    const key = kind + ink;
    if (!hatches.has(key)) {
      const sharpness = 3;
      const picture = document.createElement("canvas");
      picture.width = picture.height = tile * sharpness;
      const pen = picture.getContext("2d");
      pen.scale(sharpness, sharpness);
      pen.strokeStyle = pen.fillStyle = ink;
      pen.lineWidth = 1;
      const path = new Path2D(hatchPaths[kind]);
      if (kind === "dots") pen.fill(path); else pen.stroke(path);
      const hatch = context.createPattern(picture, "repeat");
      hatch.setTransform(new DOMMatrix().scale(1 / sharpness));
      hatches.set(key, hatch);
    }
    return hatches.get(key);
  }

  const plainFillStroke = L.Canvas.prototype._fillStroke;
  L.Canvas.mergeOptions({ tolerance: 5, padding: 0.3 });
  L.Canvas.include({
    _fillStroke(context, layer) {
      const scale = layer.options.shape ? 1 : strokeScale;
      const dashes = layer.options._dashArray;
      const style = { ...layer.options, weight: layer.options.weight * scale };
      style._dashArray = dashes ? dashes.map((dash) => dash * scale) : null;
      if (style.casing) {
        context.globalAlpha = 1;
        context.setLineDash([]);
        context.lineWidth = style.weight + 2 * style.casing * scale;
        context.strokeStyle = "#fff";
        context.lineCap = context.lineJoin = "round";
        context.stroke();
      }
      if (style.fill && style.hatch) {
        context.globalAlpha = style.fillOpacity;
        context.fillStyle = style.fillColor;
        context.fill(style.fillRule || "evenodd");
        context.globalAlpha = 1;
        context.fillStyle = hatchFor(context, style.hatch, style.hatchInk);
        context.fill(style.fillRule || "evenodd");
        style.fill = false;
      }
      plainFillStroke.call(this, context, { options: style });
    },
  });

  function diamondPath(context, x, y, radius) {
    context.beginPath();
    context.moveTo(x, y - radius);
    context.lineTo(x + radius, y);
    context.lineTo(x, y + radius);
    context.lineTo(x - radius, y);
    context.closePath();
  }

  const Diamond = L.CircleMarker.extend({
    _updatePath() {
      const renderer = this._renderer;
      if (!renderer._drawing || this._empty()) return;
      diamondPath(renderer._ctx, this._point.x, this._point.y, this._radius);
      renderer._fillStroke(renderer._ctx, this);
    },
  });

  const Label = L.CircleMarker.extend({
    options: { interactive: false, radius: 14 },
    _updatePath() {
      const renderer = this._renderer;
      if (!renderer._drawing || this._empty()) return;
      const pen = renderer._ctx;
      pen.globalAlpha = 1;
      pen.font = "600 11px system-ui, 'DejaVu Sans', sans-serif";
      pen.textAlign = "center";
      pen.textBaseline = "middle";
      pen.setLineDash([]);
      pen.lineJoin = "round";
      pen.lineWidth = 3;
      pen.strokeStyle = "rgba(255,255,255,0.9)";
      pen.fillStyle = "#1d1512";
      pen.strokeText(this.options.text, this._point.x, this._point.y);
      pen.fillText(this.options.text, this._point.x, this._point.y);
    },
  });

  // --- layers ------------------------------------------------------------------------------------------------------

  function makeShapes({ id, table, title, style }) {
    const Mark = style.shape === "diamond" ? Diamond : L.CircleMarker;
    const shapes = L.geoJSON(read("data-" + id), {
      ...style,
      interactive: Boolean(table),
      pointToLayer: (feature, place) => new Mark(place, { ...style, interactive: Boolean(table) }),
    });
    if (table) {
      const { fields, rows } = tables[table];
      shapes.bindPopup((shape) => cards[table](fields, rows[shape.feature.properties.row]), {
        maxWidth: 330,
        minWidth: 230,
        autoPanPadding: [12, 12],
      });
    }
    if (table === "lots") {
      shapes.on("popupopen", (event) => emphasise(event.layer || event.propagatedFrom, style));
      labels.set(id, L.layerGroup(makeLabels(shapes)));
    }
    layers.set(id, shapes);
    return shapes;
  }

  function emphasise(shape, style) {
    shape.setStyle({ weight: 4.5, color: "#0b0b0b" });
    shape.once("popupclose", () => shape.setStyle({ weight: style.weight, color: style.color }));
  }

  function makeLabels(shapes) {
    const { fields, rows } = tables.lots;
    const score = fields.findIndex((field) => field.name === "exposure");
    return shapes.getLayers().filter((shape) => rows[shape.feature.properties.row][score] !== null).map((shape) => {
      const { at, row } = shape.feature.properties;
      return new Label([at[1], at[0]], { text: String(Math.round(rows[row][score])) });
    });
  }

  function leastLabelZoom(map) {
    const widths = [];
    for (const id of labels.keys()) {
      for (const shape of layers.get(id).getLayers()) {
        const box = shape.getBounds();
        const size = map.project(box.getSouthEast(), 18).subtract(map.project(box.getNorthWest(), 18));
        widths.push(Math.min(size.x, size.y));
      }
    }
    widths.sort((a, b) => a - b);
    const middle = widths[Math.floor(widths.length / 2)] || LABEL_LEAST_PX;
    return 18 + Math.log2(LABEL_LEAST_PX / middle);
  }

  // --- cards: every text goes in as text ---------------------------------------------------------------------------

  function element(tag, text, className) {
    const made = document.createElement(tag);
    if (text !== undefined) made.textContent = text;
    if (className) made.className = className;
    return made;
  }

  function say(value, field) {
    if (typeof value === "boolean") return value ? "yes" : "no";
    if (typeof value !== "number") return value;
    const text = value.toLocaleString("en-US", { maximumFractionDigits: field.decimals ?? 3 });
    return field.unit ? `${text} ${field.unit}` : text;
  }

  function record(fields, row) {
    return Object.fromEntries(fields.map((field, place) => [field.name, row[place]]));
  }

  function listOf(fields, row, leaveOut) {
    const list = element("dl");
    fields.forEach((field, place) => {
      if (row[place] === null || row[place] === "" || leaveOut(field.name)) return;
      const term = element("dt", field.title);
      term.title = field.meaning;
      list.append(term, element("dd", say(row[place], field)));
    });
    return list;
  }

  function exposureParts(fields, row) {
    const parts = element("div", undefined, "parts");
    fields.forEach((field, place) => {
      if (!field.name.startsWith("points_") || row[place] === null) return;
      const part = element("div", undefined, "part");
      const bar = element("span", undefined, "bar");
      const filled = element("i");
      filled.style.width = `${Math.max(0, Math.min(100, row[place]))}%`;
      bar.append(filled);
      part.append(element("span", field.title.replace("Exposure from ", "")), bar, element("b", row[place].toFixed(1)));
      parts.append(part);
    });
    return parts;
  }

  function lotCard(fields, row) {
    const lot = record(fields, row);
    const head = ["parcel_id", "exposure", "exposure_rank", "verdict", "reason"];
    const card = element("section", undefined, "card");
    card.append(element("h2", `Lot ${lot.parcel_id}`));
    if (lot.verdict) card.append(element("p", lot.verdict, "verdict"));
    if (lot.reason) card.append(element("p", lot.reason, "reason"));
    card.append(listOf(fields, row, (name) => head.includes(name) || name.startsWith("points_")));
    if (lot.exposure !== null) {
      const rank = lot.exposure_rank === null ? "" : `, place ${lot.exposure_rank} of ${tables.lots.rows.length}`;
      card.append(element("h3", `Exposure ${lot.exposure.toFixed(1)} of 100${rank}`), exposureParts(fields, row));
    }
    return card;
  }

  const plainCard = (title, own) => (fields, row) => {
    const thing = record(fields, row);
    const card = element("section", undefined, "card");
    card.append(element("h2", own && thing[own] !== null ? `${title} ${thing[own]}` : title));
    if (thing.reason) card.append(element("p", thing.reason));
    card.append(listOf(fields, row, (name) => name === own || name === "reason"));
    return card;
  };

  const cards = {
    lots: lotCard,
    barrier_lines: plainCard("Line", "line_id"),
    ways_in: plainCard("Way in"),
    footholds: plainCard("Foothold", "foothold_id"),
  };

  // --- legend ------------------------------------------------------------------------------------------------------

  function drawSwatch(canvas) {
    const style = JSON.parse(canvas.dataset.style);
    const pen = canvas.getContext("2d");
    pen.scale(2, 2);
    const options = { fill: true, opacity: 1, stroke: true, lineCap: "round", lineJoin: "round", ...style };
    options._dashArray = style.dashArray ? style.dashArray.split(" ").map(Number) : null;
    pen.beginPath();
    if (style.kind === "line") { pen.moveTo(1, 9); pen.lineTo(33, 9); }
    else if (style.kind === "circle") pen.arc(17, 9, style.radius, 0, 2 * Math.PI);
    else if (style.kind === "diamond") diamondPath(pen, 17, 9, Math.min(style.radius, 8));
    else pen.rect(1.5, 1.5, 31, 15);
    L.Canvas.prototype._fillStroke.call(L.Canvas.prototype, pen, { options });
  }

  function start(map) {
    const labelZoom = leastLabelZoom(map);
    const place = () => {
      strokeScale = Math.max(LEAST_STROKE, Math.min(1, 2 ** ((map.getZoom() - labelZoom - 1.5) / 1.5)));
      for (const shapes of layers.values()) {
        const { shape, radius } = shapes.options;
        if (shape) shapes.getLayers().forEach((mark) => mark.setRadius(radius * Math.max(LEAST_MARK, strokeScale)));
      }
      for (const [id, group] of labels) {
        const wanted = map.getZoom() >= labelZoom && map.hasLayer(layers.get(id));
        if (wanted) map.addLayer(group); else map.removeLayer(group);
      }
    };
    map.on("zoomend", place);
    document.querySelectorAll("input[data-layer]").forEach((box) => {
      const show = () => {
        const shapes = layers.get(box.dataset.layer);
        if (box.checked) map.addLayer(shapes); else map.removeLayer(shapes);
        map.fire("overlayadd"); // the map library then puts the layers back into their drawing order
        labels.forEach((group) => group.invoke("bringToFront"));
        place();
      };
      if (box.checked !== map.hasLayer(layers.get(box.dataset.layer))) show(); // a reloaded page may remember its boxes
      box.addEventListener("change", show);
    });
    document.querySelectorAll("canvas.swatch").forEach(drawSwatch);
    const wide = window.matchMedia("(min-width: 721px)").matches;
    document.querySelectorAll("aside details").forEach((part) => { part.open = wide; });
    document.addEventListener("pointerdown", () => document.body.classList.add("pointer"), true);
    document.addEventListener("keydown", () => document.body.classList.remove("pointer"), true);
    place();
    layers.forEach((shapes) => shapes.invoke("redraw")); // the first drawing did not know the strokes' scale
    window.jQuery(() => labels.forEach((group) => group.invoke("bringToFront")));
  }

  return { makeShapes, start };
})();
