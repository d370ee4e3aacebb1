"use strict";
(() => {
  const live = JSON.parse(document.getElementById("live").textContent);
  const panel = document.getElementById("compare");
  const [pins, pinned, swept] = [".pins", ".pinned", ".swept"].map((name) => panel.querySelector(name));
  const steered = panel.querySelector(".steered");
  const wishes = [...panel.querySelectorAll("[data-score]")];
  const place = `pinned ${live.here}`;
  let here = location.search.slice(1) || live.start;
  let kept = [];
  try { kept = JSON.parse(sessionStorage.getItem(place)) || []; } catch { /* nothing kept */ }

  const show = async (within, what) => {
    let text = LOST;
    try {
      const reply = await (await fetch(live.here + what)).json();
      text = reply.wrong;
      if (reply.html !== undefined) {
        within.innerHTML = reply.html;
        within.dispatchEvent(new Event("filled", { bubbles: true }));
        return;
      }
    } catch { /* told below */ }
    within.textContent = text;
  };
  const button = (text, label, work) => {
    const made = document.createElement("button");
    made.type = "button";
    made.textContent = text;
    made.setAttribute("aria-label", label);
    made.addEventListener("click", work);
    return made;
  };
  // Files: each tells where it is in a line of its own.
  const written = document.querySelector(".written");
  const write = async (what, label) => {
    const line = document.createElement("p");
    const tell = (text) => { line.textContent = `${label}: ${text}`; };
    tell("…");
    written.append(line);
    try {
      let reply = await post(`${live.here}write`, { what, stage: here });
      const { name } = reply;
      tell(reply.told);
      while (!reply.done) {
        await new Promise((later) => { setTimeout(later, 1000); });
        reply = await (await fetch(`${live.root}written/${name}`)).json();
        if (line.textContent !== `${label}: ${reply.told}`) tell(reply.told);
      }
    } catch { tell(LOST); }
  };
  document.querySelectorAll("[data-what]").forEach((one) => one.addEventListener("click", () =>
    write(one.dataset.what, one.textContent)));
  const keep = () => {
    try { sessionStorage.setItem(place, JSON.stringify(kept)); } catch { /* kept in this page alone */ }
    document.getElementById("pin").disabled = kept.length >= 4 || kept.includes(here);
    pins.hidden = !kept.length;
    pins.replaceChildren(...kept.flatMap((query, at) => {
      const letter = "ABCD"[at];
      return [
        button(`Show ${letter}`, `Show stage ${letter}`, () =>
          document.dispatchEvent(new CustomEvent("go", { detail: query }))),
        button("×", `Take stage ${letter} away`, () => { kept.splice(at, 1); keep(); }),
      ];
    }));
    if (kept.length > 1) {
      show(pinned, `pinned?${kept.map((query) => `stage=${encodeURIComponent(query)}`).join("&")}`);
    } else pinned.textContent = kept.length ? "Pin another to see what differs." : "";
  };
  const steer = () => {
    if (!wishes.some((wish) => wish.value === "better")) { steered.textContent = ""; return; }
    const asked = wishes.map((wish) => `${wish.dataset.score}=${wish.value}`).join("&");
    show(steered, `steer?${here}&${asked}`);
  };

  document.getElementById("pin").addEventListener("click", () => { kept.push(here); keep(); });
  document.getElementById("sweep").addEventListener("click", () =>
    show(swept, `sweep?${here}&moved=${document.getElementById("moved").value}`));
  wishes.forEach((wish) => wish.addEventListener("change", steer));
  if (steered) steered.addEventListener("click", (event) => {
    const offer = event.target.closest("[data-query]");
    if (offer) document.dispatchEvent(new CustomEvent("go", { detail: offer.dataset.query }));
  });
  document.addEventListener("reached", (event) => {
    here = event.detail;
    swept.textContent = "";
    keep();
    if (steered && steered.textContent) steer();
  });
  keep();
})();
