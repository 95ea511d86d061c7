// Suggestions under every search box marked data-search, and arrows through the hits of the search page. Without this file
// the box is a plain form that opens the search page.
(() => {
  "use strict";
  const doc = document;
  const WAIT_MS = 180;

  const suggest = (input, n) => {
    if (input.dataset.suggests) return;
    input.dataset.suggests = "1";
    const form = input.form;
    const list = doc.createElement("div");
    Object.assign(list, { className: "find-list", id: `find-list-${n}`, hidden: true });
    list.setAttribute("role", "listbox");
    list.setAttribute("aria-label", "Found so far");
    form.classList.add("find-box");
    form.append(list);
    const attributes = { role: "combobox", "aria-autocomplete": "list", "aria-expanded": "false", "aria-controls": list.id };
    for (const [name, value] of Object.entries(attributes)) input.setAttribute(name, value);
    input.autocomplete = "off";

    let timer = 0, asked = 0, abort = null, chosen = null;
    const hits = () => [...list.querySelectorAll("[role=option]")];
    const choose = (hit) => {
      chosen?.setAttribute("aria-selected", "false");
      chosen = hit || null;
      if (!chosen) return input.removeAttribute("aria-activedescendant");
      chosen.setAttribute("aria-selected", "true");
      chosen.scrollIntoView({ block: "nearest" });
      input.setAttribute("aria-activedescendant", chosen.id);
    };
    const close = () => {
      clearTimeout(timer);
      abort?.abort();
      asked += 1;
      choose(null);
      list.hidden = true;
      input.setAttribute("aria-expanded", "false");
    };
    const ask = async () => {
      const words = input.value.trim(), mine = ++asked;
      if (words.length < 2) return close();
      abort?.abort();
      abort = new AbortController();
      try {
        const url = `${form.getAttribute("action")}?${new URLSearchParams({ q: words })}`;
        const answer = await fetch(url, { headers: { "HX-Request": "true" }, signal: abort.signal });
        if (!answer.ok || answer.headers.has("HX-Redirect")) return close();
        const text = await answer.text();
        if (mine !== asked || doc.activeElement !== input) return;
        list.innerHTML = text;
        list.hidden = false;
        input.setAttribute("aria-expanded", "true");
        choose(list.querySelector("[data-exact]"));
      } catch (trouble) {
        if (trouble.name !== "AbortError") close();  // no connection: the form itself says so when it is sent
      }
    };
    input.addEventListener("input", () => { clearTimeout(timer); choose(null); timer = setTimeout(ask, WAIT_MS); });
    input.addEventListener("keydown", (e) => {
      if (e.isComposing) return;
      const all = hits();
      if (e.key === "Escape" && !list.hidden) { e.preventDefault(); e.stopPropagation(); return close(); }
      if ((e.key === "ArrowDown" || e.key === "ArrowUp") && !list.hidden && all.length) {
        e.preventDefault();
        const step = e.key === "ArrowDown" ? 1 : -1;
        const from = all.indexOf(chosen);
        choose(all[from < 0 && step < 0 ? all.length - 1 : (from + step + all.length) % all.length]);
      } else if (e.key === "Enter" && chosen && !list.hidden) {
        e.preventDefault();
        location.assign(chosen.href);
      }
    });
    form.addEventListener("focusout", (e) => { if (!form.contains(e.relatedTarget)) setTimeout(close, 150); });
    list.addEventListener("pointerdown", (e) => e.preventDefault());  // the box keeps the focus, the link its click
    form.addEventListener("submit", close);
  };

  // --- the search page: arrows through what was found, from the box downwards ---
  const walk = (e) => {
    if (e.key !== "ArrowDown" && e.key !== "ArrowUp") return;
    const page = doc.querySelector("[data-hits]");
    if (!page) return;
    const links = [...doc.querySelectorAll("[data-first-hit], [data-hits] a")];
    const box = doc.getElementById("f-q"), here = doc.activeElement;
    const from = links.indexOf(here);
    if (!links.length || (from < 0 && here !== box)) return;
    e.preventDefault();
    const next = from + (e.key === "ArrowDown" ? 1 : -1);
    if (next < 0) box?.focus(); else links[Math.min(next, links.length - 1)].focus();
  };

  const begin = () => {
    doc.querySelectorAll("input[data-search]").forEach(suggest);
    doc.addEventListener("keydown", walk);
    // A serial typed and sent with Enter: a second Enter opens the one thing that bears it.
    if (doc.activeElement === doc.body) doc.querySelector("[data-first-hit]")?.focus();
  };
  if (doc.readyState === "loading") doc.addEventListener("DOMContentLoaded", begin); else begin();
})();
