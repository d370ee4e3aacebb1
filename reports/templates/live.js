"use strict";
(() => {
  const live = JSON.parse(document.getElementById("live").textContent);
  const said = document.querySelector(".said");
  const breaks = document.querySelector(".breaks");
  const undo = document.getElementById("undo");
  const back = document.getElementById("back");
  const steppers = new Map([...document.querySelectorAll(".stepper")].map((box) => [box.dataset.key, {
    box,
    part: box.dataset.part,
    label: box.querySelector("label").textContent,
    input: box.querySelector("input"),
    down: box.querySelector(".down"),
    up: box.querySelector(".up"),
    note: box.querySelector(".wrong"),
    origin: box.querySelector(".wrong").textContent,
    shown: box.querySelector("input").value,
  }]));
  const byPart = new Map([...steppers.values()].map((stepper) => [stepper.part, stepper]));
  const title = document.getElementById("h-build");
  const opened = title.textContent;
  const stated = () => new URLSearchParams(location.search.slice(1) || live.start);
  const steps = () => (history.state && history.state.steps) || 0;

  // -- values in the circuit --------------------------------------------------------------------
  const pair = document.querySelector(".at-value");
  let held = null;
  const marks = () => [...document.querySelectorAll("svg [data-part]")]
    .filter((mark) => byPart.has(mark.dataset.part));
  const hold = (part) => {
    held = part;
    steppers.forEach((stepper) => stepper.box.classList.toggle("held", stepper.part === part));
    const mark = marks().find((each) => each.dataset.part === part && each.getClientRects().length
      && each.getBoundingClientRect().width > 0);
    pair.hidden = !mark;
    if (!mark) return;
    const place = mark.getBoundingClientRect();
    pair.style.left = `${place.left + place.width / 2 + scrollX}px`;
    pair.style.top = `${place.top + scrollY - 2}px`;
    for (const way of ["down", "up"]) {
      const own = byPart.get(part)[way];
      const button = pair.querySelector(`.${way}`);
      button.disabled = own.disabled;
      button.setAttribute("aria-label", own.getAttribute("aria-label"));
    }
  };
  const dress = () => {
    document.querySelectorAll("svg.circuit").forEach((svg) => svg.setAttribute("role", "group"));
    marks().forEach((mark) => {
      const stepper = byPart.get(mark.dataset.part);
      mark.classList.add("steps");
      mark.setAttribute("tabindex", "0");
      mark.setAttribute("role", "button");
      mark.setAttribute("aria-label", `${stepper.label} ${mark.textContent}: step it`);
    });
  };
  ["down", "up"].forEach((way) => pair.querySelector(`.${way}`).addEventListener("click", () => {
    if (held) move(byPart.get(held), way);
  }));
  document.addEventListener("click", (event) => {
    const mark = event.target.closest && event.target.closest("svg [data-part].steps");
    if (mark) hold(mark.dataset.part);
    else if (!event.target.closest(".at-value")) hold(null);
  });
  window.addEventListener("resize", () => { if (held) hold(held); });

  // -- filling slots ----------------------------------------------------------------------------
  const fill = (slots) => {
    const at = document.activeElement;
    const part = at && at.closest && at.closest("svg") && at.dataset.part;
    Object.entries(slots).forEach(([name, html]) => {
      const slot = document.querySelector(`[data-slot="${name}"]`);
      if (!slot) return;
      slot.innerHTML = html;
      slot.removeAttribute("aria-busy");
      slot.dispatchEvent(new Event("filled", { bubbles: true }));
    });
    dress();
    if (part) {
      const mark = marks().find((each) => each.dataset.part === part && each.getClientRects().length);
      if (mark) mark.focus({ preventScroll: true });
    }
    if (held) hold(held);
  };
  const say = (text) => { said.textContent = text; };
  let broken = null;
  const tell = (now) => {
    const names = (list) => new Set(list.map((text) => text.split(/ [−\d]/)[0]));
    if (broken !== null) {
      const were = names(broken);
      const fresh = now.filter((text) => !were.has(text.split(/ [−\d]/)[0]));
      if (fresh.length) say(fresh.join("; "));
      else if (broken.length && !now.length) say("Every limit is kept again.");
    }
    broken = now;
    breaks.hidden = !now.length;
    breaks.replaceChildren(...now.map((text) => {
      const item = document.createElement("li");
      item.textContent = text;
      return item;
    }));
  };
  const enter = (values) => values.forEach((value) => {
    const stepper = steppers.get(value.key);
    stepper.shown = stepper.input.value = value.text;
    stepper.note.textContent = stepper.origin;
    stepper.box.classList.remove("faulty");
    stepper.input.removeAttribute("aria-invalid");
    for (const way of ["down", "up"]) {
      stepper[way].dataset.to = value[way];
      const focused = document.activeElement === stepper[way];
      stepper[way].disabled = !value[way];
      if (focused && !value[way]) stepper.input.focus();
    }
  });
  const fault = (errors) => {
    Object.entries(errors).forEach(([key, text]) => {
      const stepper = steppers.get(key);
      if (!stepper) { say(text); return; }
      stepper.note.textContent = text;
      stepper.box.classList.add("faulty");
      stepper.input.setAttribute("aria-invalid", "true");
      stepper.input.focus();
    });
  };

  // -- going to a stage -------------------------------------------------------------------------
  let asking = null;
  const ask = async (query, what) => {
    const reply = await fetch(`${live.here}stage?${query}&send=${what}`, { signal: asking.signal });
    return [reply.status, await reply.json()];
  };
  const at = (query) => {
    document.dispatchEvent(new CustomEvent("reached", { detail: query }));
    const same = query === live.start;
    document.body.classList.toggle("elsewhere", !same);
    title.textContent = same ? opened : "The stage as stepped";
    undo.disabled = steps() === 0;
    if (back) back.disabled = same;
    document.querySelectorAll(".card").forEach((card) =>
      card.setAttribute("aria-pressed", String(live.designs[card.dataset.design] === query)));
  };
  const go = async (query, { push = true } = {}) => {
    if (asking) asking.abort();
    asking = new AbortController();
    try {
      const [status, reply] = await ask(query, "quick");
      if (status !== 200) throw new Error(status);
      if (reply.errors) { fault(reply.errors); return; }
      if (push) history.pushState({ steps: steps() + 1 }, "", `?${reply.query}`);
      say("");
      enter(reply.steppers);
      fill(reply.slots);
      tell(reply.broken);
      at(reply.query);
      // What still shows the stage before is marked until it has followed.
      document.querySelectorAll("[data-slot]").forEach((slot) => {
        if (!(slot.dataset.slot in reply.slots)) slot.setAttribute("aria-busy", "true");
      });
      for (const what of ["rest", "more", "slow"]) {
        const [, later] = await ask(query, what);
        fill(later.slots);
      }
    } catch (error) {
      if (error.name !== "AbortError") say("The page no longer answers: is the command still running?");
    }
  };
  const set = (key, value) => {
    const query = stated();
    query.set(key, value);
    go(query.toString());
  };
  const move = (stepper, way) => {
    if (stepper[way].dataset.to) set(stepper.box.dataset.key, stepper[way].dataset.to);
  };

  steppers.forEach((stepper, key) => {
    for (const way of ["down", "up"]) stepper[way].addEventListener("click", () => move(stepper, way));
    stepper.input.addEventListener("change", () => {
      if (stepper.input.value.trim() !== stepper.shown) set(key, stepper.input.value.trim());
    });
    stepper.input.addEventListener("keydown", (event) => {
      if (event.key === "Escape") {
        stepper.input.value = stepper.shown;
        enter([{ key, text: stepper.shown, down: stepper.down.dataset.to, up: stepper.up.dataset.to }]);
      }
    });
  });
  document.addEventListener("keydown", (event) => {
    const box = event.target.closest(".stepper");
    const mark = event.target.closest("svg [data-part].steps");
    const stepper = box ? steppers.get(box.dataset.key) : mark ? byPart.get(mark.dataset.part) : null;
    if (stepper && (event.key === "ArrowUp" || event.key === "ArrowDown")) {
      event.preventDefault();
      move(stepper, event.key === "ArrowUp" ? "up" : "down");
    } else if (mark && (event.key === "Enter" || event.key === " ")) {
      event.preventDefault();
      stepper.input.focus();
      stepper.input.select();
    } else if (event.key === "z" && (event.ctrlKey || event.metaKey) && !event.shiftKey
        && !event.target.matches("textarea, input")) {
      event.preventDefault();
      if (steps()) history.back();
    }
  });
  undo.addEventListener("click", () => history.back());
  if (back) back.addEventListener("click", () => go(live.start));
  document.querySelectorAll(".card").forEach((card) => card.addEventListener("click", (event) => {
    event.stopImmediatePropagation();
    go(live.designs[card.dataset.design]);
  }, true));
  window.addEventListener("popstate", () => go(stated().toString(), { push: false }));

  // What else stands on the page goes to a stage by this, and hears of each that was reached.
  document.addEventListener("go", (event) => go(event.detail));

  dress();
  tell(live.broken);
  if (location.search.length > 1) go(stated().toString(), { push: false });
  else at(live.start);
})();
