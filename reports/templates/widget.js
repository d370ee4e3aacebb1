"use strict";
const PATIENCE_MS = 20_000;

const render = ({ model, el }) => {
  // Ids and style in here meet no others of the notebook, and its shortcuts leave the keys alone.
  const host = document.createElement("div");
  host.dataset.lmSuppressShortcuts = "true";
  host.addEventListener("keydown", (event) => event.stopPropagation());
  el.replaceChildren(host);
  const root = host.attachShadow({ mode: "open" });
  root.innerHTML = model.get("_html");
  const undo = root.querySelector(".undo");

  const waiting = new Map();
  const send = (query, what) => new Promise((resolve, reject) => {
    const id = String(Math.random());
    waiting.set(id, resolve);
    setTimeout(() => { if (waiting.delete(id)) reject(new Error("no reply")); }, PATIENCE_MS);
    model.send({ id, query, what });
  });
  const hear = ({ id, reply }) => {
    const resolve = waiting.get(id);
    waiting.delete(id);
    if (resolve) resolve(reply);
  };

  const wanted = () => new URLSearchParams(model.get("parts")).toString();
  const trail = [wanted()];
  const shown = () => trail.at(-1);
  const goBack = () => {
    if (trail.length < 2) return;
    trail.pop();
    go(shown(), false);
  };
  const go = stepping(root, {
    broken: null,
    stated: shown,
    send,
    later: ["rest", "slow"],
    reached: (query, push) => {
      const asked = new URLSearchParams(query);
      if (push) trail.push(asked.toString());
      undo.disabled = trail.length < 2;
      model.set("parts", Object.fromEntries(asked));
      model.save_changes();
    },
    undo: goBack,
    lost: "The notebook's kernel does not answer: is it busy, or was it shut down?",
  });
  undo.addEventListener("click", goBack);

  // Another view of the same widget has stepped, or a cell has set the parts.
  const follow = () => { if (wanted() !== shown()) go(wanted()); };
  model.on("msg:custom", hear);
  model.on("change:parts", follow);

  const { draw } = charts();
  root.addEventListener("filled", (event) => draw(event.target));
  const placed = new ResizeObserver(() => {
    if (!host.clientWidth) return;
    placed.disconnect();
    // Dark where the notebook writes in a light colour.
    const [red, green, blue] = getComputedStyle(el).color.match(/[\d.]+/g).map(Number);
    root.querySelector(".stagefront").dataset.theme = red + green + blue > 384 ? "dark" : "light";
    go(shown(), false);
  });
  placed.observe(host);

  return () => {
    placed.disconnect();
    model.off("msg:custom", hear);
    model.off("change:parts", follow);
  };
};

export default { render };
