"use strict";
// What leaves the page: the table as CSV, lots as GeoJSON, a link to a lot, one printed page.
lotMap.share = (() => {
  const { content, tables } = lotMap.read;
  const { lots, featureOf, latLngOf, isShown, state } = lotMap.plan;
  const FORMULA = /^\s*[=+\-@\uff1d\uff0b\uff0d\uff20]/; // what a spreadsheet could take for a formula
  const FORM_PX = [741, 627]; // the printed map, 196 x 166 mm
  const FINE = 3; // dots a pixel in print

  function save(name, kind, text) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: kind }));
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }

  function csvCell(value) {
    if (value === null) return "";
    if (typeof value !== "string") return String(value);
    const text = FORMULA.test(value) ? `'${value}` : value;
    return /[",\r\n]/.test(text) || text !== text.trim() ? `"${text.replaceAll('"', '""')}"` : text;
  }

  function saveTable(rows) {
    const names = tables.lots.fields.map((field) => field.name);
    const lines = [names.join(",")];
    for (const row of rows) lines.push(names.map((name) => csvCell(tables.lots.value(name, row))).join(","));
    save(`${content.many}.csv`, "text/csv;charset=utf-8", `\ufeff${lines.join("\r\n")}\r\n`);
  }

  function ringOf(start, end) {
    const ring = [];
    for (let p = start; p <= end; p++) {
      const at = 2 * (p < end ? p : start); // closed by its first point
      const { lng, lat } = latLngOf(lots.xy[at], lots.xy[at + 1]);
      ring.push([Math.round(lng * 1e7) / 1e7, Math.round(lat * 1e7) / 1e7]);
    }
    return ring;
  }

  function geometryOf(row) {
    const i = featureOf[row], polygons = [];
    for (let k = lots.firstPart[i]; k < lots.firstPart[i + 1]; k++) {
      if (lots.outer[k]) polygons.push([]);
      polygons[polygons.length - 1].push(ringOf(lots.firstPoint[k], lots.firstPoint[k + 1]));
    }
    return polygons.length === 1 ? { type: "Polygon", coordinates: polygons[0] } : { type: "MultiPolygon", coordinates: polygons };
  }

  function saveLots(rows) {
    const features = [...rows].filter(isShown).map((row) => ({
      type: "Feature",
      properties: Object.fromEntries(tables.lots.fields.map(({ name }) => [name, tables.lots.value(name, row)])),
      geometry: geometryOf(row),
    }));
    save(`${content.many}.geojson`, "application/geo+json", JSON.stringify({ type: "FeatureCollection", features }));
    return features.length;
  }

  const fragmentOf = (row) => `#${content.one}=${encodeURIComponent(tables.lots.value(content.key, row) ?? "")}`;

  // What the address names after its #: "lot" in #lot=12.
  function inAddress(name) {
    const { hash } = window.location;
    if (!hash.startsWith(`#${name}=`)) return null;
    try {
      return decodeURIComponent(hash.slice(name.length + 2));
    } catch {
      return null; // a damaged link names no lot
    }
  }

  async function copyLink(row) {
    const address = window.location.href.split("#")[0] + fragmentOf(row);
    try {
      await navigator.clipboard.writeText(address);
      return true;
    } catch {
      const field = document.createElement("textarea"); // where a page may not use the clipboard by itself
      field.value = address;
      document.body.append(field);
      field.select();
      const done = document.execCommand("copy");
      field.remove();
      return done;
    }
  }

  // --- print -------------------------------------------------------------------------------------------------------

  function drawForPrint(map) {
    const [width, height] = FORM_PX;
    const pen = document.getElementById("print-map").getContext("2d");
    pen.setTransform(FINE, 0, 0, FINE, 0, 0);
    pen.fillStyle = "#f1ede4";
    pen.fillRect(0, 0, width, height);
    const seen = map.getBounds(), zoom = map.getZoom();
    const size = map.project(seen.getSouthEast(), zoom).subtract(map.project(seen.getNorthWest(), zoom));
    const printZoom = zoom + Math.log2(Math.min(width / size.x, height / size.y));
    const shown = state.chosen || !lotMap.wholeSite ? { zoom: printZoom, middle: map.getCenter() } : wholeSite(map, width, height);
    const corner = map.project(shown.middle, shown.zoom).subtract([width / 2, height / 2]);
    const relief = document.querySelector(".leaflet-image-layer");
    if (relief && relief.complete) {
      const [west, south, east, north] = content.relief;
      const world = lotMap.draw.worldView(shown.zoom), perMetre = world.scale / content.unit_m;
      const x = (metres) => world.x - corner.x + (metres - content.origin[0]) * perMetre;
      const y = (metres) => world.y - corner.y - (metres - content.origin[1]) * perMetre;
      pen.drawImage(relief, x(west), y(north), x(east) - x(west), y(south) - y(north));
    }
    const world = lotMap.draw.worldView(shown.zoom);
    lotMap.draw.paint(pen, lotMap.draw.viewOf(world.scale, world.x - corner.x, world.y - corner.y, width, height));
    drawScale(pen, map, shown, height);
    drawNorth(pen, width);
  }

  function wholeSite(map, width, height) {
    const [west, south, east, north] = content.bounds;
    const perMetre = Math.min((width - 40) / (east - west), (height - 70) / (north - south));
    const middle = L.CRS.EPSG3857.unproject(L.point((west + east) / 2, (south + north) / 2 - 15 / perMetre));
    return { zoom: Math.log2((perMetre * 2 * lotMap.plan.EARTH_M) / 256), middle };
  }

  function drawScale(pen, map, { zoom, middle }, height) {
    const across = map.unproject(map.project(middle, zoom).add([100, 0]), zoom);
    const metresPerPx = map.distance(middle, across) / 100;
    pen.font = "600 10px system-ui, 'DejaVu Sans', sans-serif";
    pen.textAlign = "left";
    pen.fillStyle = "rgba(255,255,255,0.85)";
    pen.fillRect(8, height - 44, 200, 36);
    pen.fillStyle = pen.strokeStyle = "#111";
    pen.lineWidth = 1.5;
    [["ft", 0.3048], ["m", 1]].forEach(([unit, metres], line) => {
      const most = (110 * metresPerPx) / metres, ten = 10 ** Math.floor(Math.log10(most));
      const whole = [5, 2, 1].map((step) => step * ten).find((length) => length <= most);
      const length = (whole * metres) / metresPerPx, y = height - 30 + 16 * line;
      pen.beginPath();
      pen.moveTo(14, y - 5);
      pen.lineTo(14, y);
      pen.lineTo(14 + length, y);
      pen.lineTo(14 + length, y - 5);
      pen.stroke();
      pen.fillText(`${whole.toLocaleString("en-US")} ${unit}`, 20 + length, y - 2);
    });
  }

  function drawNorth(pen, width) {
    pen.fillStyle = "rgba(255,255,255,0.85)";
    pen.fillRect(width - 98, 8, 90, 24);
    pen.fillStyle = "#111";
    pen.fill(new Path2D(`M${width - 87} 11l5 9l-4 -1v10h-2v-10l-4 1z`));
    pen.textAlign = "left";
    pen.fillText("North is up", width - 75, 24);
  }

  function watchPrinting(map, before) {
    const canvas = document.getElementById("print-map");
    [canvas.width, canvas.height] = FORM_PX.map((length) => length * FINE); // now: a size set while printing is laid out wrongly
    let drawn = false; // a browser may announce one printing in both ways
    const once = () => {
      if (!drawn) {
        before();
        drawForPrint(map);
      }
      drawn = true;
    };
    window.addEventListener("beforeprint", once);
    window.addEventListener("afterprint", () => { drawn = false; });
    window.matchMedia("print").addEventListener("change", (event) => {
      if (event.matches) once(); else drawn = false;
    });
    document.getElementById("print").addEventListener("click", () => window.print());
  }

  return { saveTable, saveLots, fragmentOf, inAddress, copyLink, watchPrinting, drawForPrint };
})();
