"use strict";
// What the other scripts of the page use too.
const LOST = "The page no longer answers: is the command still running?";
const post = async (where, what) => {
  const reply = await fetch(where, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(what),
  });
  if (!reply.ok) throw new Error((await reply.text()).trim());
  return reply.json();
};

(() => {
  const live = JSON.parse(document.getElementById("live").textContent);
  const undo = document.getElementById("undo");
  const back = document.getElementById("back");
  const title = document.getElementById("h-build");
  const cards = document.querySelectorAll(".card");
  const opened = title.textContent;
  const stated = () => location.search.slice(1) || live.start;
  const steps = () => (history.state && history.state.steps) || 0;

  const at = (query) => {
    document.dispatchEvent(new CustomEvent("reached", { detail: query }));
    const same = query === live.start;
    document.body.classList.toggle("elsewhere", !same);
    title.textContent = same ? opened : "The stage as stepped";
    undo.disabled = steps() === 0;
    if (back) back.disabled = same;
    cards.forEach((card) =>
      card.setAttribute("aria-pressed", String(live.designs[card.dataset.design] === query)));
  };
  const go = stepping(document, {
    broken: live.broken,
    stated,
    send: async (query, what, signal) => {
      const reply = await fetch(`${live.here}stage?${query}&send=${what}`, { signal });
      if (!reply.ok) throw new Error(reply.status);
      return reply.json();
    },
    later: ["rest", "more", "slow"],
    reached: (query, push) => {
      if (push) history.pushState({ steps: steps() + 1 }, "", `?${query}`);
      at(query);
    },
    undo: () => { if (steps()) history.back(); },
    lost: LOST,
  });

  undo.addEventListener("click", () => history.back());
  if (back) back.addEventListener("click", () => go(live.start));
  cards.forEach((card) => card.addEventListener("click", (event) => {
    event.stopImmediatePropagation();
    go(live.designs[card.dataset.design]);
  }, true));
  window.addEventListener("popstate", () => go(stated(), false));

  // What else stands on the page goes to a stage by this, and hears of each that was reached.
  document.addEventListener("go", (event) => go(event.detail));

  if (location.search.length > 1) go(stated(), false);
  else at(live.start);
})();
