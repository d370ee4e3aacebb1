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
