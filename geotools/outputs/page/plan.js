"use strict";
// What is shown now: filters, classes, the chosen thing; and where a place on the map meets a shape.
lotMap.plan = (() => {
  const { content, layers, tables, frontier } = lotMap.read;
  const lots = layers.find((layer) => layer.id === "lots").shapes;
  const count = tables.lots.count;
  const EARTH_M = Math.PI * 6378137; // half the width of the page's projection
  const featureOf = new Int32Array(count).fill(-1);
  lots.rows.forEach((row, i) => { featureOf[row] = i; });

  const state = {
    scheme: "exposure",
    hidden: new Set(), // ids of layers and of classes such as exposure:5
    matches: new Uint8Array(count).fill(1), // 1 where a lot passes the filters
    label: "exposure",
    lengths: true,
    budgetStop: null, // the choice that the budget buys
    chosen: null, // { table, row }
  };

  const unitsOf = (latlng) => {
    const spot = L.CRS.EPSG3857.project(latlng);
    return [(spot.x - content.origin[0]) / content.unit_m, (spot.y - content.origin[1]) / content.unit_m];
  };
  const latLngOf = (x, y) =>
    L.CRS.EPSG3857.unproject(L.point(content.origin[0] + x * content.unit_m, content.origin[1] + y * content.unit_m));

  function lotBounds(row) {
    const [west, south, east, north] = lots.box.subarray(4 * featureOf[row], 4 * featureOf[row] + 4);
    return L.latLngBounds(latLngOf(west, south), latLngOf(east, north));
  }

  const middleLot = (() => {
    const sizes = Float64Array.from({ length: lots.count }, (_, i) =>
      Math.min(lots.box[4 * i + 2] - lots.box[4 * i], lots.box[4 * i + 3] - lots.box[4 * i + 1])).sort();
    return sizes[sizes.length >> 1];
  })();

  const classOf = (row) => content.schemes[state.scheme].of[row];
  const inBudget = (row) => {
    const { point, swaps } = state.budgetStop, join = frontier.joins[row];
    return (join > 0 && join <= point) !== swaps.has(row);
  };
  const isShown = (row) => featureOf[row] >= 0 && !state.hidden.has(`${state.scheme}:${classOf(row)}`);

  // --- which thing lies at a place ---------------------------------------------------------------------------------

  function nearest(shapes, x, y, reach) {
    let best = reach * reach, found = -1;
    for (let i = 0; i < shapes.count; i++) {
      const b = 4 * i;
      if (x < shapes.box[b] - reach || x > shapes.box[b + 2] + reach || y < shapes.box[b + 1] - reach || y > shapes.box[b + 3] + reach) continue;
      const away = distanceSquared(shapes, i, x, y);
      if (away <= best) [best, found] = [away, i];
    }
    return found;
  }

  function distanceSquared({ firstPart, firstPoint, ring, xy }, i, x, y) {
    let least = Infinity;
    for (let k = firstPart[i]; k < firstPart[i + 1]; k++) {
      const start = firstPoint[k], end = firstPoint[k + 1];
      for (let p = start; p < end; p++) {
        const q = p + 1 < end ? p + 1 : ring[k] ? start : p;
        const ax = xy[2 * p], ay = xy[2 * p + 1], dx = xy[2 * q] - ax, dy = xy[2 * q + 1] - ay;
        const along = dx || dy ? Math.max(0, Math.min(1, ((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy))) : 0;
        least = Math.min(least, (ax + along * dx - x) ** 2 + (ay + along * dy - y) ** 2);
      }
    }
    return least;
  }

  function lotAt(x, y) {
    for (let i = lots.count - 1; i >= 0; i--) {
      const b = 4 * i;
      if (x < lots.box[b] || x > lots.box[b + 2] || y < lots.box[b + 1] || y > lots.box[b + 3]) continue;
      if (isShown(lots.rows[i]) && isInside(lots, i, x, y)) return lots.rows[i];
    }
    return -1;
  }

  function isInside({ firstPart, firstPoint, xy }, i, x, y) {
    let inside = false;
    for (let k = firstPart[i]; k < firstPart[i + 1]; k++) {
      const start = firstPoint[k], end = firstPoint[k + 1];
      for (let p = start, q = end - 1; p < end; q = p++) {
        const py = xy[2 * p + 1], qy = xy[2 * q + 1];
        if (py > y !== qy > y && x < ((xy[2 * q] - xy[2 * p]) * (y - py)) / (qy - py) + xy[2 * p]) inside = !inside;
      }
    }
    return inside;
  }

  function thingAt(x, y, unitsPerPixel) {
    const lotPx = middleLot / unitsPerPixel;
    for (let n = layers.length - 1; n >= 0; n--) {
      const { id, table, style, least_lot_px: least } = layers[n];
      if (!table || table === "lots" || state.hidden.has(id) || lotPx < least) continue;
      const { shapes } = layers[n];
      const found = nearest(shapes, x, y, (style.shape ? 9 : 5) * unitsPerPixel);
      if (found >= 0) return { table, row: shapes.rows[found] };
    }
    const row = lotAt(x, y);
    return row >= 0 ? { table: "lots", row } : null;
  }

  // --- the rows of other tables that belong to a lot ---------------------------------------------------------------

  const owned = new Map();
  function rowsOf(table, lotId) {
    if (!tables[table]) return [];
    if (!owned.has(table)) {
      const byLot = new Map();
      for (let row = 0; row < tables[table].count; row++) {
        const id = tables[table].value("parcel_id", row);
        if (byLot.has(id)) byLot.get(id).push(row); else byLot.set(id, [row]);
      }
      owned.set(table, byLot);
    }
    return owned.get(table).get(lotId) ?? [];
  }

  return { state, lots, count, EARTH_M, featureOf, unitsOf, latLngOf, lotBounds, middleLot, classOf, inBudget, isShown, lotAt, thingAt, rowsOf };
})();
