"use strict";
(() => {
  // -- light and dark, print ------------------------------------------------------------------
  const root = document.documentElement;
  const kept = (() => { try { return localStorage.getItem("theme"); } catch { return null; } })();
  if (kept) root.dataset.theme = kept;
  document.getElementById("theme").addEventListener("click", () => {
    const dark = getComputedStyle(root).colorScheme === "dark";
    root.dataset.theme = dark ? "light" : "dark";
    try { localStorage.setItem("theme", root.dataset.theme); } catch { /* nothing to keep it in */ }
  });
  document.getElementById("print").addEventListener("click", () => window.print());

  const { draw, forget } = charts((view, spec) => link(view, spec));

  // -- the appendix: folded on a screen, open on paper -------------------------------------------
  const folds = [...document.querySelectorAll(".fold")];
  folds.forEach((fold) => fold.addEventListener("toggle", () => { if (fold.open) draw(fold); }));
  const unfold = (hash) => {
    const section = hash.length > 1 && document.getElementById(decodeURIComponent(hash.slice(1)));
    const fold = section && (section.querySelector(":scope > .fold") || section.closest(".fold"));
    if (fold) fold.open = true;
  };
  document.addEventListener("click", (event) => {
    const link = event.target.closest('a[href^="#"]');
    if (link) unfold(link.hash);
  });
  window.addEventListener("hashchange", () => unfold(location.hash));
  unfold(location.hash);
  document.getElementById("unfold").addEventListener("click", () => folds.forEach((fold) => { fold.open = true; }));

  // -- designs beside the pick -----------------------------------------------------------------
  const slots = [...document.querySelectorAll("[data-slot]")];
  const cards = [...document.querySelectorAll(".card")];
  const first = new Map(slots.map((slot) => [slot.dataset.slot, slot.innerHTML]));
  const choose = (card) => {
    cards.forEach((other) => other.setAttribute("aria-pressed", String(other === card)));
    document.body.classList.toggle("elsewhere", card !== cards[0]);
    slots.forEach((slot) => {
      const name = slot.dataset.slot;
      const own = document.querySelector(
        `template[data-design="${card.dataset.design}"][data-for="${name}"]`);
      slot.innerHTML = own ? own.innerHTML : first.get(name);
      draw(slot);
    });
  };
  cards.forEach((card) => card.addEventListener("click", () => choose(card)));

  // -- the front's table: choose, sort, filter, copy --------------------------------------------
  const table = document.querySelector("table.linked");
  const rows = table ? [...table.tBodies[0].rows] : [];
  const chosen = new Set();
  const fronts = [];

  const paint = () => rows.forEach((row) =>
    row.setAttribute("aria-selected", String(chosen.has(row.dataset.candidate))));

  // A choice made in the table is written where the charts keep theirs.
  const push = (source) => fronts.filter((front) => front !== source).forEach((front) => {
    const ids = rows.map((row) => row.dataset.candidate)
      .filter((id) => chosen.has(id) && front.shown.has(id));
    const entries = ids.map((id) => ({
      unit: "table",
      fields: [{ type: "E", field: "candidate" }],
      values: [front.shown.get(id).candidate],
    }));
    front.quiet = true;
    front.view.data("chosen_store", entries).runAsync().finally(() => { front.quiet = false; });
  });

  const toggle = (row, add) => {
    const id = row.dataset.candidate;
    const was = chosen.has(id);
    if (!add) chosen.clear();
    if (was) chosen.delete(id); else chosen.add(id);
    paint();
    push(null);
  };

  rows.forEach((row) => {
    row.addEventListener("click", (event) => toggle(row, event.shiftKey));
    row.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" && event.key !== " ") return;
      event.preventDefault();
      toggle(row, event.shiftKey);
    });
  });

  // "1.25 mA" and "955.6 µA" sort by what they are, words by their letters.
  const prefixes = { p: 1e-12, n: 1e-9, "µ": 1e-6, m: 1e-3, k: 1e3, M: 1e6, G: 1e9 };
  const worth = (text) => {
    const found = /^([−-]?[\d.,]+)(?:\u00a0(.*))?$/.exec(text.trim());
    if (!found) return text;
    const unit = found[2] || "";
    const scale = unit.length > 1 && unit !== "Hz" ? prefixes[unit[0]] || 1 : 1;
    return Number(found[1].replace("−", "-").replaceAll(",", "")) * scale;
  };
  const compare = (a, b) => {
    if (typeof a === "number" && typeof b === "number") return a - b;
    if (typeof a === typeof b) return a.localeCompare(b);
    return typeof a === "number" ? -1 : 1;
  };
  // Rows are hidden that do not match the filter or lie outside a rectangle drawn in the front;
  // cards of designs outside it are marked.
  const told = document.querySelector(".copied");
  let wanted = [];
  let inside = () => true;
  let counting = 0;
  const sift = () => {
    rows.forEach((row) => {
      const text = row.textContent.toLowerCase().replaceAll(" ", "\u00a0");
      row.hidden = !inside(row.dataset.candidate) || !wanted.every((word) => text.includes(word));
    });
    cards.forEach((card) => card.classList.toggle("outside", !inside(card.dataset.design)));
    const left = rows.filter((row) => !row.hidden).length;
    clearTimeout(counting);
    counting = setTimeout(() => {
      told.textContent = left < rows.length ? `${left} of ${rows.length} rows` : "";
    }, 200);
  };
  if (table) {
    const heads = [...table.tHead.rows[0].cells];
    heads.forEach((head, at) => head.firstElementChild.addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const order = rows.map((row) => [worth(row.cells[at].textContent), row])
        .sort((a, b) => (down ? -1 : 1) * compare(a[0], b[0]));
      table.tBodies[0].append(...order.map((pair) => pair[1]));
    }));
    document.querySelector("input.filter").addEventListener("input", (event) => {
      wanted = event.target.value.toLowerCase().replaceAll(" ", "\u00a0").split(/,\s*/);
      sift();
    });
    document.querySelector("button.copy").addEventListener("click", async () => {
      const lines = [heads, ...[...table.tBodies[0].rows].filter((row) => !row.hidden)
        .map((row) => [...row.cells])]
        .map((cells) => cells.map((cell) => cell.textContent.trim()).join("\t"));
      try {
        await navigator.clipboard.writeText(lines.join("\n"));
        told.textContent = `${lines.length - 1} rows copied`;
      } catch { told.textContent = "This browser does not let a page copy."; }
    });
  }

  const link = (view, spec) => {
    const shown = new Map();
    spec.datasets.shown.forEach((datum) => shown.set(String(datum.candidate), datum));
    const front = { view, shown, quiet: false };
    fronts.push(front);
    view.addDataListener("chosen_store", (_, entries) => {
      if (front.quiet) return;
      chosen.clear();
      entries.forEach((entry) => entry.values.forEach((value) => chosen.add(String(value))));
      paint();
      push(front);
    });
    const brushed = (_, spans) => {
      inside = (id) => !shown.has(id) || Object.entries(spans || {}).every(([field, ends]) =>
        shown.get(id)[field] >= Math.min(...ends) && shown.get(id)[field] <= Math.max(...ends));
      sift();
    };
    if (spec.params.some((param) => param.name === "brush")) view.addSignalListener("brush", brushed);
    paint();
  };

  // What a served page puts in a slot is drawn as well.
  document.addEventListener("filled", (event) => draw(event.target));
  draw(document);

  // Paper is narrower than a screen: charts are drawn anew for it, so that their words stay large
  // enough to read, and as they were after it.
  let folded = [];
  const redrawn = (printing) => {
    root.classList.toggle("printing", printing);
    if (printing) folded = folds.filter((fold) => !fold.open);
    folded.forEach((fold) => { fold.open = printing; });
    fronts.length = 0;
    inside = () => true;
    sift();
    forget();
    draw(document);
  };
  window.addEventListener("beforeprint", () => redrawn(true));
  window.addEventListener("afterprint", () => redrawn(false));
})();
