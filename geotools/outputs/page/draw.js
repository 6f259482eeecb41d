"use strict";
// Draws the plan on a canvas, for the screen and for print alike, in few large strokes instead of one object a shape.
lotMap.draw = (() => {
  const { content, layers, tables, say } = lotMap.read;
  const { state, lots, EARTH_M, middleLot, classOf, inBudget, isShown } = lotMap.plan;
  const LABEL_LEAST_PX = 26; // a lot narrower than this on the screen gets no label
  const FULL_LOT_PX = 60; // strokes have their full width where the middle lot is this wide; they shrink with it
  const AT_ONCE = 250; // shapes in one path: fewer cost calls, more make filling slow
  const STEP_PX = 0.6; // points nearer than this to the one before are passed over
  const CLEAR_PX = 30; // between the middles of two lengths
  const PLAIN_LOT_PX = 3; // smaller lots are drawn as plain boxes: neither hatch nor outline would be seen
  const FAINT = { color: "#8d857c", weight: 0.6, fillColor: "#fbf8f1", fillOpacity: 0.72 };
  const FONT = "system-ui, 'DejaVu Sans', sans-serif";
  const lengthName = tables.barrier_lines?.has("length_ft") ? "length_ft" : "length_m";
  const overRelief = Boolean(document.querySelector(".leaflet-image-layer"));

  // --- hatches -----------------------------------------------------------------------------------------------------

  const TILE = 10;
  const hatchPaths = {
    "dots": "M2 2h1.6v1.6h-1.6z M7 7h1.6v1.6h-1.6z",
    "dashes": "M0.5 2.5h4 M5.5 7.5h4",
    "lines": "M-1 11L11 -1",
    "close lines": "M-1 6L6 -1 M-1 11L11 -1 M4 11L11 4",
    "cross": "M-1 11L11 -1 M-1 -1L11 11",
    "waves": "M0 4q2.5 -3 5 0t5 0",
  };

  function hatchFor(pen, kind, ink, view) {
    const sharpness = 3;
    const picture = document.createElement("canvas");
    picture.width = picture.height = TILE * sharpness;
    const small = picture.getContext("2d");
    small.scale(sharpness, sharpness);
    small.strokeStyle = small.fillStyle = ink;
    const path = new Path2D(hatchPaths[kind]);
    if (kind === "dots") small.fill(path); else small.stroke(path);
    const hatch = pen.createPattern(picture, "repeat");
    hatch.setTransform(new DOMMatrix([1 / sharpness, 0, 0, 1 / sharpness, view.left % TILE, view.top % TILE]));
    return hatch;
  }

  // --- paths -------------------------------------------------------------------------------------------------------

  function isSeen(shapes, i, view) {
    const b = 4 * i, { box } = shapes;
    return box[b + 2] >= view.west && box[b] <= view.east && box[b + 3] >= view.south && box[b + 1] <= view.north;
  }

  function trace(pen, { firstPart, firstPoint, ring, xy }, i, { scale, left, top }) {
    for (let k = firstPart[i]; k < firstPart[i + 1]; k++) {
      const end = 2 * firstPoint[k + 1], last = ring[k] ? end : end - 2;
      let p = 2 * firstPoint[k];
      let x = xy[p] * scale + left, y = top - xy[p + 1] * scale;
      pen.moveTo(x, y);
      for (p += 2; p < end; p += 2) {
        const nextX = xy[p] * scale + left, nextY = top - xy[p + 1] * scale;
        if (p < last && Math.abs(nextX - x) + Math.abs(nextY - y) < STEP_PX) continue;
        pen.lineTo(nextX, nextY);
        [x, y] = [nextX, nextY];
      }
      if (ring[k]) pen.closePath();
    }
  }

  // Fill or stroke many shapes with one style. Outer rings and holes turn opposite ways, so that overlaps stay filled.
  function paintMany(pen, shapes, chosen, style, view) {
    const hatch = style.hatch && view.lotPx >= 4 ? hatchFor(pen, style.hatch, style.hatchInk, view) : null;
    for (let from = 0; from < chosen.length; from += AT_ONCE) {
      pen.beginPath();
      const end = Math.min(from + AT_ONCE, chosen.length);
      for (let n = from; n < end; n++) trace(pen, shapes, chosen[n], view);
      if (style.fill !== false && style.fillColor) {
        pen.globalAlpha = style.fillOpacity;
        pen.fillStyle = style.fillColor;
        if (isAreal(shapes, chosen[from])) pen.fill("nonzero");
        pen.globalAlpha = 1;
        if (hatch && isAreal(shapes, chosen[from])) {
          pen.fillStyle = hatch;
          pen.fill("nonzero");
        }
      }
      strokeNow(pen, style, view.stroke);
    }
  }

  const isAreal = (shapes, i) => shapes.ring[shapes.firstPart[i]] === 1;

  function strokeNow(pen, style, share) {
    if (!style.weight) return;
    pen.globalAlpha = 1;
    pen.lineJoin = "round";
    pen.lineCap = "butt";
    if (style.casing) {
      pen.setLineDash([]);
      pen.strokeStyle = "#fff";
      pen.lineWidth = (style.weight + 2 * style.casing) * share;
      pen.stroke();
    }
    pen.setLineDash(style.dashArray ? style.dashArray.split(" ").map((dash) => dash * share) : []);
    pen.strokeStyle = style.color;
    pen.lineWidth = style.weight * share;
    pen.stroke();
    pen.setLineDash([]);
  }

  function seen(shapes, view, wanted) {
    const chosen = [];
    for (let i = 0; i < shapes.count; i++) if (isSeen(shapes, i, view) && (!wanted || wanted(shapes.rows[i]))) chosen.push(i);
    return chosen;
  }

  // --- the parts of the plan ---------------------------------------------------------------------------------------

  function paintLots(pen, view) {
    const { classes } = content.schemes[state.scheme];
    const groups = classes.map(() => []);
    const faint = [];
    for (let i = 0; i < lots.count; i++) {
      const row = lots.rows[i];
      if (!isSeen(lots, i, view) || !isShown(row)) continue;
      if (state.matches[row]) groups[classOf(row)].push(i); else faint.push(i);
    }
    const paintGroup = view.lotPx < PLAIN_LOT_PX ? paintBoxes : paintMany;
    paintGroup(pen, lots, faint, FAINT, view);
    classes.forEach((style, number) => {
      paintGroup(pen, lots, groups[number], { ...style, fillOpacity: overRelief ? 0.8 : style.fillOpacity }, view);
    });
  }

  function paintBoxes(pen, { box }, chosen, style, { scale, left, top }) {
    pen.globalAlpha = style.fillOpacity;
    pen.fillStyle = style.fillColor;
    for (const i of chosen) {
      const b = 4 * i;
      pen.fillRect(box[b] * scale + left, top - box[b + 3] * scale, Math.max(1, (box[b + 2] - box[b]) * scale), Math.max(1, (box[b + 3] - box[b + 1]) * scale));
    }
    pen.globalAlpha = 1;
  }

  function paintMarks(pen, { shapes, style }, view) {
    const size = Math.max(0.42, view.stroke) * style.radius;
    for (const i of seen(shapes, view)) {
      const p = 2 * shapes.firstPoint[shapes.firstPart[i]];
      const [x, y] = shapes.at ? [shapes.at[2 * i], shapes.at[2 * i + 1]] : [shapes.xy[p], shapes.xy[p + 1]];
      markPath(pen, style.shape, x * view.scale + view.left, view.top - y * view.scale, size);
      pen.fillStyle = style.fillColor;
      pen.fill();
      pen.strokeStyle = style.edge || style.color;
      pen.lineWidth = 0.7 + 0.8 * view.stroke;
      pen.stroke();
    }
  }

  function markPath(pen, shape, x, y, size) {
    pen.beginPath();
    if (shape === "circle") {
      pen.arc(x, y, size, 0, 2 * Math.PI);
      return;
    }
    if (shape === "gate") { // a square with a slanting leaf
      pen.rect(x - size, y - size, 2 * size, 2 * size);
      pen.moveTo(x - size, y + size);
      pen.lineTo(x + size, y - size);
      return;
    }
    pen.moveTo(x, y - size);
    pen.lineTo(x + size, y);
    pen.lineTo(x, y + size);
    pen.lineTo(x - size, y);
    pen.closePath();
  }

  function paintArrow(pen, { xy, firstPart, firstPoint }, i, view, style) {
    const end = 2 * (firstPoint[firstPart[i + 1]] - 1);
    const heading = Math.atan2(xy[end + 1] - xy[end - 1], xy[end] - xy[end - 2]);
    const x = xy[end] * view.scale + view.left, y = view.top - xy[end + 1] * view.scale;
    pen.beginPath();
    for (const turn of [0, 2.6, -2.6]) pen.lineTo(x + 9 * Math.cos(heading + turn), y - 9 * Math.sin(heading + turn));
    pen.closePath();
    pen.fillStyle = style.color;
    pen.fill();
    strokeNow(pen, { color: "#fff", weight: 1 }, 1);
  }

  function paintLines(pen, layer, view, only) {
    const chosen = seen(layer.shapes, view, only);
    if (!chosen.length) return;
    paintMany(pen, layer.shapes, chosen, layer.style, view);
    if (layer.style.arrow && view.lotPx >= 30) for (const i of chosen) paintArrow(pen, layer.shapes, i, view, layer.style);
  }

  // --- words -------------------------------------------------------------------------------------------------------

  function write(pen, text, x, y) {
    pen.strokeText(text, x, y);
    pen.fillText(text, x, y);
  }

  function setType(pen, size) {
    pen.font = `600 ${size}px ${FONT}`;
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    pen.lineJoin = "round";
    pen.lineWidth = 3;
    pen.strokeStyle = "rgba(255,255,255,0.92)";
    pen.fillStyle = "#1d1512";
  }

  function labelOf(row, widthPx) {
    const value = tables.lots.value(state.label, row);
    const words = value === null ? "" : state.label === "exposure" ? String(Math.round(value)) :
      (state.label.startsWith("cost_") ? "$" : "") + say(value, tables.lots.field(state.label));
    return state.budgetStop && inBudget(row) && (words.length + 2) * 8 < widthPx ? `\u2713 ${words}` : words;
  }

  function paintLabels(pen, view) {
    if (view.lotPx < LABEL_LEAST_PX || !state.label) return;
    setType(pen, 11);
    for (let i = 0; i < lots.count; i++) {
      const row = lots.rows[i];
      if (!isSeen(lots, i, view) || !isShown(row) || !state.matches[row]) continue;
      const widthPx = (lots.box[4 * i + 2] - lots.box[4 * i]) * view.scale;
      const text = labelOf(row, widthPx);
      if (text.length > 4 && text.length * 5 > widthPx) continue;
      write(pen, text, lots.at[2 * i] * view.scale + view.left, view.top - lots.at[2 * i + 1] * view.scale);
    }
  }

  // Runs of a line that hardly bend: each gets the length that its share of the line's own length gives.
  function runsOf({ firstPart, firstPoint, ring, xy }, i) {
    const runs = [];
    for (let k = firstPart[i]; k < firstPart[i + 1]; k++) {
      const start = firstPoint[k], size = firstPoint[k + 1] - start;
      let before = null;
      for (let n = 0; n < size - (ring[k] ? 0 : 1); n++) {
        const p = 2 * (start + n), q = 2 * (start + ((n + 1) % size));
        const dx = xy[q] - xy[p], dy = (xy[q + 1] - xy[p + 1]) * content.north_share;
        const length = Math.hypot(dx, dy), heading = Math.atan2(dy, dx);
        if (before && Math.cos(heading - before.heading) > 0.99) {
          before.length += length;
          before.end = [xy[q], xy[q + 1]];
          continue;
        }
        before = { length, heading, begin: [xy[p], xy[p + 1]], end: [xy[q], xy[q + 1]] };
        runs.push(before);
      }
    }
    return runs;
  }

  // Lengths of the lines; of two that would cover each other the first one stays, and the chosen lot's come first.
  function paintLengths(pen, view) {
    if (!state.lengths || view.lotPx < 50) return;
    const chosenLot = state.chosen?.table === "lots" ? tables.lots.value(content.key, state.chosen.row) : null;
    const isChosen = (row) => chosenLot !== null && tables.barrier_lines.value("parcel_id", row) === chosenLot;
    const taken = [];
    setType(pen, 11);
    for (const turn of [isChosen, (row) => !isChosen(row)]) {
      for (const layer of layers) {
        if (layer.id.startsWith("advised_") && !state.hidden.has(layer.id)) writeLengths(pen, layer, view, turn, taken);
      }
    }
  }

  function writeLengths(pen, layer, view, wanted, taken) {
    const field = tables.barrier_lines.field(lengthName);
    for (const i of seen(layer.shapes, view, wanted)) {
      const total = tables.barrier_lines.value(lengthName, layer.shapes.rows[i]);
      if (total === null) continue;
      const runs = runsOf(layer.shapes, i);
      const whole = runs.reduce((sum, run) => sum + run.length, 0);
      const wide = runs.filter((run) => run.length * view.scale >= 58);
      for (const run of wide) writeAlong(pen, run, say(Math.round((total * run.length * 10) / whole) / 10, field), view, taken);
      const longest = runs.reduce((a, b) => (a.length > b.length ? a : b));
      if (!wide.length && longest.length * view.scale > 24) writeAlong(pen, longest, `${say(Math.round(total), field)} in all`, view, taken);
    }
  }

  function writeAlong(pen, { begin, end }, text, view, taken) {
    const [ax, ay, bx, by] = [begin[0] * view.scale, -begin[1] * view.scale, end[0] * view.scale, -end[1] * view.scale];
    let turn = Math.atan2(by - ay, bx - ax);
    if (Math.cos(turn) < -0.001) turn += Math.PI;
    const [x, y] = [(ax + bx) / 2 + view.left, (ay + by) / 2 + view.top];
    if (taken.some(([otherX, otherY]) => Math.hypot(otherX - x, otherY - y) < CLEAR_PX)) return;
    taken.push([x, y]);
    pen.save();
    pen.translate(x, y);
    pen.rotate(turn);
    write(pen, text, 0, -9);
    pen.restore();
  }

  // --- all of it ---------------------------------------------------------------------------------------------------

  function paintChosen(pen, view) {
    const { chosen } = state;
    if (!chosen) return;
    for (const layer of layers) {
      if (layer.table !== chosen.table || ["circle", "gate"].includes(layer.style.shape)) continue;
      const { shapes } = layer;
      const i = shapes.rows.indexOf(chosen.row);
      if (i < 0) continue;
      pen.beginPath();
      trace(pen, shapes, i, view);
      strokeNow(pen, { color: "#111", weight: 3.5, casing: 2.5 }, 1);
    }
    if (chosen.table !== "lots") return;
    const routes = layers.find((layer) => layer.id === "routes");
    if (routes) paintLines(pen, { shapes: routes.shapes, style: { ...routes.style, weight: 3 } }, { ...view, stroke: 1 }, (row) => row === chosen.row);
  }

  function viewOf(scale, left, top, width, height) {
    const lotPx = middleLot * scale;
    return {
      scale, left, top, width, height, lotPx,
      stroke: Math.max(0.22, Math.min(1, lotPx / FULL_LOT_PX)),
      west: (-20 - left) / scale, east: (width + 20 - left) / scale,
      south: (top - height - 20) / scale, north: (top + 20) / scale,
    };
  }

  function paint(pen, view) {
    for (const layer of layers) {
      const { id, style, table } = layer;
      if (state.hidden.has(id) || view.lotPx < layer.least_lot_px) continue;
      const { shapes } = layer;
      if (id === "lots") paintLots(pen, view);
      else if (id === "routes" || (table === "barrier_lines")) paintLines(pen, layer, view);
      else if (style.shape) {
        if (shapes.at) paintMany(pen, shapes, seen(shapes, view), { color: style.color, weight: style.weight, casing: 1, fill: false }, view);
        paintMarks(pen, layer, view);
      } else paintMany(pen, shapes, seen(shapes, view), style, id === "parts" ? { ...view, stroke: 1 } : view);
    }
    paintChosen(pen, view);
    paintLabels(pen, view);
    paintLengths(pen, view);
  }

  // Pixels a unit at a zoom, and where the plan's origin lies among the pixels of the whole world.
  function worldView(zoom) {
    const perMetre = (256 * 2 ** zoom) / (2 * EARTH_M);
    return { scale: content.unit_m * perMetre, x: (content.origin[0] + EARTH_M) * perMetre, y: (EARTH_M - content.origin[1]) * perMetre };
  }

  const PlanCanvas = L.Renderer.extend({
    options: { padding: 0.2 },
    _initContainer() {
      this._container = document.createElement("canvas");
      this._container.setAttribute("aria-hidden", "true");
    },
    _destroyContainer() {
      this._container.remove();
    },
    _updatePaths() {},
    _update() {
      if (this._map._animatingZoom && this._bounds) return;
      L.Renderer.prototype._update.call(this);
      const { min } = this._bounds, size = this._bounds.getSize(), ratio = Math.min(2, window.devicePixelRatio || 1);
      L.DomUtil.setPosition(this._container, min);
      this._container.width = size.x * ratio;
      this._container.height = size.y * ratio;
      this._container.style.width = `${size.x}px`;
      this._container.style.height = `${size.y}px`;
      const pen = this._container.getContext("2d");
      pen.scale(ratio, ratio);
      const world = worldView(this._map.getZoom()), corner = this._map.getPixelOrigin().add(min);
      paint(pen, viewOf(world.scale, world.x - corner.x, world.y - corner.y, size.x, size.y));
    },
  });

  // --- legend ------------------------------------------------------------------------------------------------------

  function drawSwatch(canvas) {
    const style = JSON.parse(canvas.dataset.style);
    const pen = canvas.getContext("2d");
    pen.scale(2, 2);
    if (style.shape) {
      markPath(pen, style.shape, 17, 9, Math.min(7, style.radius));
      pen.fillStyle = style.fillColor;
      pen.fill();
      strokeNow(pen, { color: style.edge || style.color, weight: 1.5 }, 1);
      return;
    }
    pen.beginPath();
    if (style.kind === "line") {
      pen.moveTo(0, 9);
      pen.lineTo(34, 9);
    } else {
      pen.rect(1.5, 1.5, 31, 15);
      pen.globalAlpha = style.fillOpacity;
      pen.fillStyle = style.fillColor;
      pen.fill();
      pen.globalAlpha = 1;
      if (style.hatch) {
        pen.fillStyle = hatchFor(pen, style.hatch, style.hatchInk, { left: 0, top: 0 });
        pen.fill();
      }
    }
    strokeNow(pen, style, 1);
  }

  return { PlanCanvas, paint, viewOf, worldView, drawSwatch };
})();
