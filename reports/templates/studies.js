"use strict";
// Sections that take seconds: worked out when asked for, of the stage that is then shown.
(() => {
  const live = JSON.parse(document.getElementById("live").textContent);
  let here = location.search.slice(1) || live.start;
  const waited = () => new Promise((later) => { setTimeout(later, 400); });

  document.querySelectorAll(".study").forEach((section) => {
    const [told, place, halt] = [".told", ".worked-out", ".halt"].map((name) => section.querySelector(name));
    const buttons = [...section.querySelectorAll("[data-study]")];
    let working = null;
    let of = null;
    const tell = (text) => { if (told.textContent !== text) told.textContent = text; };
    const work = (own) => {
      working = own;
      if (!own && document.activeElement === halt) buttons[0].focus();
      halt.hidden = !own;
      if (own) place.setAttribute("aria-busy", "true");
      else place.removeAttribute("aria-busy");
    };
    const stop = () => {
      if (working && working.name) post(`${live.root}halt/${working.name}`, {}).catch(() => {});
      work(null);
    };
    const start = async (what) => {
      stop();
      const own = { of: here, name: "" };
      work(own);
      tell("Starting …");
      try {
        let reply = await post(`${live.here}study`, { what, stage: own.of });
        own.name = reply.name;
        if (working !== own) { if (own.name) await post(`${live.root}halt/${own.name}`, {}); return; }
        while (own.name && !reply.done) {
          await waited();
          if (working !== own) return;
          reply = await (await fetch(`${live.root}studied/${own.name}`)).json();
          if (working !== own) return;
          tell(reply.told);
        }
        tell(reply.told);
        if (reply.html) {
          of = own.of;
          section.classList.add("current");
          place.innerHTML = reply.html;
          place.dispatchEvent(new Event("filled", { bubbles: true }));
        }
      } catch {
        if (working === own) tell(LOST);
      }
      if (working === own) work(null);
    };
    buttons.forEach((button) => button.addEventListener("click", () => start(button.dataset.study)));
    halt.addEventListener("click", () => { stop(); tell("Stopped."); });
    document.addEventListener("reached", (event) => {
      here = event.detail;
      if (working && working.of !== here) {
        stop();
        tell("Stopped: the stage has changed.");
      } else if (of) tell(of === here ? "Worked out for this stage." : "Worked out for another stage: work it out again for this one.");
      section.classList.toggle("current", of === here);
    });
  });
})();
