"use strict";
// A chart of one view takes the width of its place by itself. One of several is laid out here:
// as many views in a row as stay readable, each with the room that its axes take as in a drawing.
const fitted = (spec, room, drawn = 960) => {
  const rows = (key, columns, gap) => {
    const share = (width, count) => (width - (count - 1) * gap) / count;
    let count = Math.min(columns, spec[key].length);
    const was = share(drawn, columns);
    while (count > 1 && share(room, count) < 290) count -= 1;
    const views = spec[key].map((view) => fitted(view, share(room, count), was));
    return { ...spec, [key]: views, ...(key === "concat" ? { columns: count } : {}) };
  };
  if (spec.vconcat) return rows("vconcat", 1, 0);
  if (spec.concat) return rows("concat", spec.columns || 1, spec.spacing?.column ?? spec.spacing ?? 24);
  if (typeof spec.width !== "number") return spec;
  return { ...spec, width: Math.max(120, Math.floor(room - (drawn - spec.width))) };
};

// Draws the charts within a page or a widget; `linked` hears of those that choose designs.
const charts = (linked = () => {}) => {
  // A chart that comes again in the same form stays, and its data sets are changed.
  const standing = new Map();
  // A chart that is folded away has no width yet, and is drawn when it is unfolded.
  const draw = (within) => within.querySelectorAll(".chart").forEach((holder) => {
    if (holder.closest(".fold:not([open])")) return;
    const script = holder.nextElementSibling;
    const spec = JSON.parse(script.textContent);
    const { datasets = {}, description, ...rest } = spec;
    const form = JSON.stringify(rest);
    const was = standing.get(holder.dataset.chart);
    if (was && was.holder === holder) return;
    if (was && was.form === form && was.view) {
      was.holder.setAttribute("aria-label", holder.getAttribute("aria-label"));
      holder.replaceWith(was.holder);
      was.sets = new Set([...was.sets, ...Object.keys(datasets)]);
      was.sets.forEach((name) => was.view.data(name, datasets[name] || []));
      was.view.runAsync();
      return;
    }
    // From here on it stands, so that nothing asks for it twice while it is being drawn.
    const own = { form, holder, view: null, sets: new Set(Object.keys(datasets)) };
    standing.set(holder.dataset.chart, own);
    vegaEmbed(holder, fitted(spec, holder.clientWidth), { renderer: "svg", actions: false, logLevel: 1, tooltip: { theme: "custom" } })
      .then((result) => {
        // The picture as a whole has its words; those of thousands of marks would drown them.
        holder.setAttribute("role", "img");
        holder.querySelector("svg").setAttribute("aria-hidden", "true");
        if (holder.scrollWidth > holder.clientWidth) holder.tabIndex = 0;
        own.view = result.view;
        if (script.dataset.linked) linked(result.view, spec);
      })
      .catch((error) => { holder.textContent = "This chart could not be drawn: " + error; });
  });
  return { draw, forget: () => standing.clear() };
};
