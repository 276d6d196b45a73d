"use strict";
// Keeps the figures fresh, their ages growing, and says so when the connection is gone. The page
// works without it.
(() => {
  const now = document.getElementById("now");
  const lost = document.getElementById("lost");
  const path = document.body.dataset.live;
  const SILENT_MS = 40000;
  let heard = Date.now();
  let ahead = 0; // of this clock, by which the server's is: ages are told by one clock
  let source = null;

  const spell = (s) => {
    if (s < -120) return `${large(-s)} ahead of the clock`;
    return s < 90 ? "just now" : `${large(s)} ago`;
  };
  const large = (s) => {
    for (const [size, name] of [[86400, "d"], [3600, "h"], [60, "min"]])
      if (s >= 2 * size) return `${Math.floor(s / size)} ${name}`;
    return `${Math.floor(s)} s`;
  };
  const age = () => {
    for (const each of now.querySelectorAll("time.age")) {
      const s = (Date.now() + ahead - Date.parse(each.dateTime)) / 1000;
      const old = s > Number(each.dataset.old) || s < -120;
      each.textContent = spell(s) + (old ? ": old" : "");
      each.classList.toggle("old", old);
      const number = each.closest(".figure")?.querySelector(".number");
      if (number) number.classList.toggle("old", old);
    }
  };
  const clock = (ms) => new Date(ms).toTimeString().slice(0, 5);
  const look = () => {
    const gone = Date.now() - heard > SILENT_MS || (source && source.readyState === 2);
    tell(gone);
    if (source && source.readyState === 2) open();
    age();
  };
  const tell = (gone) => {
    if (gone) lost.textContent = `No connection since ${clock(heard)}: what you see is of then.`;
    lost.hidden = !gone;
  };
  const show = (html) => {
    const fresh = document.createElement("div");
    fresh.innerHTML = html;
    const kept = [...now.children], come = [...fresh.children];
    if (kept.length !== come.length) return void now.replaceChildren(...come);
    const open = new Set([...now.querySelectorAll("details[open] summary")].map((x) => x.textContent));
    for (const each of fresh.querySelectorAll("summary"))
      if (open.has(each.textContent)) each.parentElement.open = true;
    kept.forEach((old, i) => {
      // Nothing is taken away from under a finger or a reader's cursor but what has changed.
      if (old.innerHTML === come[i].innerHTML && old.className === come[i].className) return;
      const at = [...old.querySelectorAll("button,summary,a")].indexOf(document.activeElement);
      old.replaceWith(come[i]);
      if (at >= 0) come[i].querySelectorAll("button,summary,a")[at]?.focus();
    });
  };
  const open = () => {
    if (source) source.close();
    source = new EventSource(path);
    const alive = (event) => {
      heard = Date.now();
      const there = Number(event.data.slice(0, event.data.indexOf(" ")));
      if (there) ahead = there - heard;
      tell(false);
    };
    source.addEventListener("alive", alive);
    source.addEventListener("now", (event) => {
      alive(event);
      const rest = event.data.slice(event.data.indexOf(" ") + 1);
      const cut = rest.indexOf("\u001f");
      document.title = rest.slice(0, cut);
      show(rest.slice(cut + 1));
      age();
    });
    source.addEventListener("error", () => tell(true));
  };
  if (!window.EventSource || !path) return;
  open();
  setInterval(look, 5000);
  addEventListener("online", open);
  addEventListener("offline", () => tell(true));
  document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
})();
