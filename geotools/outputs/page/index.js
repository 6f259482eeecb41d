"use strict";
// A map in parts: the first page finds every lot by its number, and each part leads back to it.
lotMap.index = (() => {
  const { content, tables, unpack } = lotMap.read;
  const { element } = lotMap.card;
  const MOST_LINKS = 50;
  const list = document.getElementById("hits");
  let known = null; // read when first asked for
  let ends = []; // what the last search found: [lot, square]

  function entries() {
    if (known) return known;
    const { own, shared, sizes, squares } = content.index;
    const [same, size] = [unpack(shared, Int32Array), unpack(sizes, Int32Array)];
    const ids = new Array(same.length);
    for (let i = 0, at = 0, before = ""; i < ids.length; i++) {
      ids[i] = before = before.slice(0, same[i]) + own.slice(at, at + size[i]);
      at += size[i];
    }
    known = { ids, squares: unpack(squares, Int32Array) };
    return known;
  }

  const partOf = (square) => (square ? tables.lots.value("part", square - 1) : content.files.length);
  const addressOf = ([lot, square]) => `${content.files[partOf(square) - 1]}#lot=${encodeURIComponent(lot)}`;

  // The squares that hold a lot with these signs in its number; the one with just this number comes first.
  function find(wanted) {
    const { ids, squares } = entries();
    const rows = new Set();
    ends = [];
    ids.forEach((lot, i) => {
      const text = lot.toLowerCase();
      if (!text.includes(wanted)) return;
      if (squares[i]) rows.add(squares[i] - 1);
      if (text === wanted) ends.unshift([lot, squares[i]]); else ends.push([lot, squares[i]]);
    });
    return rows;
  }

  function lotAddress(lot) {
    const { ids, squares } = entries();
    const i = ids.indexOf(lot);
    return i < 0 ? null : addressOf([lot, squares[i]]);
  }

  function link(text, address) {
    const made = element("a", text);
    made.href = address;
    return made;
  }

  // Below the search: the lots found on the first page; on a part, the way to the search of the whole site.
  function showEnds(wanted, found) {
    const items = [];
    if (wanted && content.index) {
      for (const end of ends.slice(0, MOST_LINKS)) items.push([link(`Lot ${end[0]}`, addressOf(end)), ` on part ${partOf(end[1])}`]);
      const rest = ends.length - items.length;
      if (rest > 0) items.push([`and ${rest.toLocaleString("en-US")} more: write more of the number`]);
      if (!ends.length) items.push([`No lot has ${wanted} in its number`]);
    } else if (wanted && content.overview && !found) {
      items.push([link(`Look for ${wanted} on the whole site`, `${content.overview}#find=${encodeURIComponent(wanted)}`)]);
    }
    list.hidden = !items.length;
    list.replaceChildren(...items.map((parts) => {
      const item = element("li");
      item.append(...parts);
      return item;
    }));
  }

  return { find, lotAddress, showEnds, first: () => (ends.length ? addressOf(ends[0]) : null) };
})();
