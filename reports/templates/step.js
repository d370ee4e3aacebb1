"use strict";
// Steps the parts of a stage within a page (its document) or a widget (its shadow root). Of where
// it stands it is told:
//   broken                      the limits that the first stage breaks; null if it is asked for
//   stated()                    the stage that is shown, as a query of an address
//   send(query, what, signal)   asks for a reply about a stage and promises it
//   later                       what else is asked for after the quick reply, in this order
//   reached(query, push)        hears of each stage that is shown; without push it was shown before
//   undo()                      goes back to the stage before
//   lost                        what is said where no reply comes
const stepping = (root, { broken, stated, send, later, reached, undo, lost }) => {
  const said = root.querySelector(".said");
  const breaks = root.querySelector(".breaks");
  const steppers = new Map([...root.querySelectorAll(".stepper")].map((box) => [box.dataset.key, {
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

  // -- values in the circuit --------------------------------------------------------------------
  const pair = root.querySelector(".at-value");
  let held = null;
  const marks = () => [...root.querySelectorAll("svg [data-part]")]
    .filter((mark) => byPart.has(mark.dataset.part));
  const hold = (part) => {
    held = part;
    steppers.forEach((stepper) => stepper.box.classList.toggle("held", stepper.part === part));
    const mark = marks().find((each) => each.dataset.part === part && each.getClientRects().length
      && each.getBoundingClientRect().width > 0);
    pair.hidden = !mark;
    if (!mark) return;
    const place = mark.getBoundingClientRect();
    const frame = pair.parentElement.getBoundingClientRect();
    pair.style.left = `${place.left + place.width / 2 - frame.left}px`;
    pair.style.top = `${place.top - frame.top - 2}px`;
    for (const way of ["down", "up"]) {
      const own = byPart.get(part)[way];
      const button = pair.querySelector(`.${way}`);
      button.disabled = own.disabled;
      button.setAttribute("aria-label", own.getAttribute("aria-label"));
    }
  };
  const dress = () => {
    root.querySelectorAll("svg.circuit").forEach((svg) => svg.setAttribute("role", "group"));
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
  root.addEventListener("click", (event) => {
    const mark = event.target.closest && event.target.closest("svg [data-part].steps");
    if (mark) hold(mark.dataset.part);
    else if (!event.target.closest(".at-value")) hold(null);
  });
  new ResizeObserver(() => { if (held) hold(held); }).observe(pair.parentElement);

  // -- filling slots ----------------------------------------------------------------------------
  const fill = (slots) => {
    const at = root.activeElement;
    const part = at && at.closest && at.closest("svg") && at.dataset.part;
    Object.entries(slots).forEach(([name, html]) => {
      const slot = root.querySelector(`[data-slot="${name}"]`);
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
  let were = null;
  const tell = (now) => {
    const name = (text) => text.split(/ [−\d]/)[0];
    if (were !== null) {
      const names = new Set(were.map(name));
      const fresh = now.filter((text) => !names.has(name(text)));
      if (fresh.length) say(fresh.join("; "));
      else if (were.length && !now.length) say("Every limit is kept again.");
    }
    were = now;
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
      const focused = root.activeElement === stepper[way];
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
  const go = async (query, push = true) => {
    if (asking) asking.abort();
    asking = new AbortController();
    const { signal } = asking;
    const ask = async (what) => {
      const reply = await send(query, what, signal);
      signal.throwIfAborted();
      return reply;
    };
    try {
      const reply = await ask("quick");
      if (reply.errors) { fault(reply.errors); return; }
      say("");
      enter(reply.steppers);
      fill(reply.slots);
      tell(reply.broken);
      reached(reply.query, push);
      // What still shows the stage before is marked until it has followed.
      root.querySelectorAll("[data-slot]").forEach((slot) => {
        if (!(slot.dataset.slot in reply.slots)) slot.setAttribute("aria-busy", "true");
      });
      for (const what of later) fill((await ask(what)).slots);
    } catch (error) {
      if (error.name !== "AbortError") say(lost);
    }
  };
  const set = (key, value) => {
    const query = new URLSearchParams(stated());
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
  root.addEventListener("keydown", (event) => {
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
      undo();
    }
  });

  dress();
  if (broken) tell(broken);
  return go;
};
