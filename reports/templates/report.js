"use strict";
(() => {
  const rows = [...document.querySelectorAll("table.linked tbody tr")];
  const chosen = new Set();
  let front = null;

  const paint = () => rows.forEach((row) =>
    row.setAttribute("aria-selected", String(chosen.has(row.dataset.candidate))));

  // A choice made in the table is written where the charts keep theirs.
  const push = () => {
    if (!front) return;
    const ids = rows.map((row) => row.dataset.candidate).filter((id) => chosen.has(id));
    const entries = ids.map((id) => ({
      unit: "table",
      fields: [{ type: "E", field: "candidate" }],
      values: [front.shown.get(id).candidate],
    }));
    front.quiet = true;
    front.view.data("chosen_store", entries).runAsync().finally(() => { front.quiet = false; });
  };

  const toggle = (row, add) => {
    const id = row.dataset.candidate;
    const was = chosen.has(id);
    if (!add) chosen.clear();
    if (was) chosen.delete(id); else chosen.add(id);
    paint();
    push();
  };

  rows.forEach((row) => {
    row.addEventListener("click", (event) => toggle(row, event.shiftKey));
    row.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" && event.key !== " ") return;
      event.preventDefault();
      toggle(row, event.shiftKey);
    });
  });

  const link = (view, spec) => {
    const shown = new Map();
    spec.datasets.shown.forEach((datum) => shown.set(String(datum.candidate), datum));
    front = { view, shown, quiet: false };
    view.addDataListener("chosen_store", (_, entries) => {
      if (front.quiet) return;
      chosen.clear();
      entries.forEach((entry) => entry.values.forEach((value) => chosen.add(String(value))));
      paint();
    });
    // Rows that lie outside a rectangle drawn in one of the plates turn pale with their marks.
    const brushed = (_, spans) => rows.forEach((row) => {
      const datum = shown.get(row.dataset.candidate);
      const inside = Object.entries(spans || {}).every(([field, ends]) =>
        datum && datum[field] >= Math.min(...ends) && datum[field] <= Math.max(...ends));
      row.classList.toggle("outside", !inside);
    });
    if (spec.params.some((param) => param.name === "brush")) view.addSignalListener("brush", brushed);
    paint();
  };

  document.querySelectorAll("script.spec").forEach((script) => {
    const spec = JSON.parse(script.textContent);
    const holder = document.getElementById(script.dataset.for);
    const linked = script.dataset.linked === "true";
    vegaEmbed(holder, spec, {
      renderer: linked ? "canvas" : "svg",
      actions: false,
      tooltip: { theme: "custom" },
    }).then((result) => { if (linked) link(result.view, spec); })
      .catch((error) => { holder.textContent = "This chart could not be drawn: " + error; });
  });
})();
