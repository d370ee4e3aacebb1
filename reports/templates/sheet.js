"use strict";
(() => {
  const all = (selector, within = document) => [...within.querySelectorAll(selector)];
  const by = (id) => document.getElementById(id);
  const data = JSON.parse(by("data").textContent);
  const boxes = all("#switches input");
  const works = all(".steps .work");

  // -- switches: steps, numbers and curves of the set that is ticked ------------------------------
  const show = () => {
    const set = boxes.reduce((sum, box) => sum + (box.checked ? Number(box.dataset.bit) : 0), 0);
    const made = data.cases[set];
    made.steps.forEach((step, n) => {
      if (works[n].dataset.step === String(step)) return;
      works[n].dataset.step = step;
      works[n].innerHTML = data.steps[step];
    });
    all("[data-text]").forEach((place) => { place.textContent = made.texts[place.dataset.text]; });
    ["hand", "network"].forEach((name, n) => {
      by("c-" + name).setAttribute("d", data.curves[made.curves[n]]);
      by("d-" + name).style.left = made.at[n] + "%";
    });
    reachable();
    reveal();
  };
  // What is wider than a narrow page is scrolled by the keyboard too.
  const reachable = () => all(".equation").forEach((one) => {
    if (one.scrollWidth > one.clientWidth + 1) one.tabIndex = 0; else one.removeAttribute("tabindex");
  });
  boxes.forEach((box) => box.addEventListener("change", show));

  // -- the projector: slides, and in a step one line after the other --------------------------------
  const slides = all(".slide");
  let at = 0, lines = 0;
  const projecting = () => document.body.classList.contains("projector");
  const hidden = () => all(".line", slides[at]).slice(lines);
  const isStep = () => slides[at].classList.contains("step");

  function reveal() {
    slides.forEach((slide, n) => slide.classList.toggle("current", n === at));
    all(".line", slides[at]).forEach((line, n) => line.classList.toggle("shown", n < lines));
    const last = all(".line.shown", slides[at]).pop();
    if (projecting() && last) last.scrollIntoView({ block: "nearest" });
    by("place").textContent = (at + 1) + " / " + slides.length;
  }
  const go = (to, whole) => {
    at = Math.max(0, Math.min(slides.length - 1, to));
    lines = whole ? Infinity : 0;
    reveal();
    window.scrollTo(0, 0);
  };
  const on = () => {
    if (isStep() && hidden().length) { lines += 1; reveal(); } else if (at < slides.length - 1) go(at + 1);
  };
  const back = () => {
    if (isStep() && lines > 0 && lines !== Infinity) { lines -= 1; reveal(); } else if (at > 0) go(at - 1, true);
  };
  const project = (wanted) => {
    // Start at what is on the screen, and come back to it.
    const near = slides.findIndex((slide) => slide.getBoundingClientRect().bottom > 80);
    document.body.classList.toggle("projector", wanted);
    by("projector").setAttribute("aria-pressed", String(wanted));
    document.querySelector(".remote").hidden = !wanted;
    if (wanted) go(Math.max(near, 0)); else slides[at].scrollIntoView();
  };
  const theme = () => {
    const root = document.documentElement;
    const dark = root.dataset.theme ? root.dataset.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
    root.dataset.theme = dark ? "light" : "dark";
  };

  by("projector").addEventListener("click", () => project(!projecting()));
  by("theme").addEventListener("click", theme);
  by("print").addEventListener("click", () => window.print());
  by("on").addEventListener("click", on);
  by("back").addEventListener("click", back);
  by("leave").addEventListener("click", () => project(false));
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const own = document.activeElement.closest("button, summary, input, a");
    const box = boxes[Number(event.key) - 1];
    if (box && !box.disabled) { box.checked = !box.checked; show(); return; }
    if (event.key === "t") { theme(); return; }
    if (event.key === "p") { project(!projecting()); return; }
    if (!projecting()) return;
    const acts = { ArrowRight: on, PageDown: on, ArrowLeft: back, PageUp: back,
      Home: () => go(0), End: () => go(slides.length - 1), Escape: () => project(false) };
    const act = event.key === " " && !own ? on : acts[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  });

  ["projector", "theme", "print"].forEach((id) => { by(id).hidden = false; });
  by("switches").disabled = false;
  boxes.forEach((box) => { box.checked = Boolean(BASE & Number(box.dataset.bit)); });
  show();
  window.addEventListener("resize", reachable);
  document.addEventListener("toggle", reachable, true);
})();
