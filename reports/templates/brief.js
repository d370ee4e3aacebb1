"use strict";
(() => {
  const live = JSON.parse(document.getElementById("live").textContent);
  const panel = document.querySelector(".brief");
  const form = panel.querySelector(".form");
  const toml = document.getElementById("toml");
  const wrong = panel.querySelector(".wrong-brief");
  const explore = document.getElementById("explore");
  const stop = document.getElementById("stop");
  const watch = panel.querySelector(".watch");

  const guarded = (work) => work.catch((error) => { wrong.textContent = String(error.message || error); });

  // A mistake is told at its field; what has none, or none that is shown, above all of them.
  const tell = (errors) => {
    form.querySelectorAll("[data-path]").forEach((field) => {
      const own = errors.filter((error) => error.field === field.dataset.path);
      document.getElementById(`m-${field.dataset.path}`).textContent =
        own.map((error) => error.text.replace(`${error.field}: `, "")).join("; ");
      if (own.length) field.setAttribute("aria-invalid", "true");
      else field.removeAttribute("aria-invalid");
      own.forEach((error) => { error.placed = true; });
    });
    const rest = errors.filter((error) => !error.placed);
    const list = document.createElement("ul");
    list.append(...rest.map((error) => {
      const item = document.createElement("li");
      item.textContent = error.text;
      return item;
    }));
    const count = errors.length === 1 ? "One thing is wrong" : `${errors.length} things are wrong`;
    wrong.replaceChildren(...(errors.length ? [`${count} in the brief.`] : []), ...(rest.length ? [list] : []));
    explore.disabled = errors.length > 0;
  };
  let latest = 0;
  const check = async (what) => {
    const own = latest += 1;
    const reply = await post(`${live.root}check`, what);
    if (own !== latest) return;
    if (what.path) toml.value = reply.toml;
    if (reply.form) form.innerHTML = reply.form;
    tell(reply.errors);
  };
  form.addEventListener("change", (event) => {
    const { path } = event.target.dataset;
    guarded(check({ toml: toml.value, path, value: event.target.value }));
  });
  toml.addEventListener("change", () => guarded(check({ toml: toml.value })));

  // -- an exploration ---------------------------------------------------------------------------
  let run = "";
  const look = async () => {
    const reply = await fetch(`${live.root}progress/${run}`);
    if (!reply.ok) throw new Error((await reply.text()).trim());
    const { html, failed, address } = await reply.json();
    watch.innerHTML = html;
    if (address) { location.assign(address); return; }
    if (failed) {
      ended();
      wrong.textContent = `Nothing to show: ${failed}`;
      return;
    }
    setTimeout(() => guarded(look()), 400);
  };
  const ended = () => {
    stop.hidden = watch.hidden = true;
    explore.disabled = false;
  };
  const start = async () => {
    explore.disabled = true;
    const reply = await post(`${live.root}explore`, { toml: toml.value });
    if (reply.errors) { tell(reply.errors); return; }
    run = reply.run;
    stop.hidden = watch.hidden = false;
    wrong.textContent = "Exploring; the document follows when it has ended.";
    stop.focus();
    await look();
  };
  explore.addEventListener("click", () => guarded(start()));
  stop.addEventListener("click", () => {
    wrong.textContent = "Stopping; what it has is put together.";
    guarded(post(`${live.root}stop/${run}`, {}));
  });
})();
