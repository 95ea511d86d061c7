// Warns of a bad lot while its code is typed, with what the page has brought along: it needs no signal. Without this file
// the list stands above the button all the same, and the answer to the form warns.
(() => {
  "use strict";
  const doc = document;
  const cut = (text) => [text, ...text.split(/[;,+]/)].map((part) => part.trim().toLowerCase()).filter(Boolean);
  const look = (form) => {
    const list = form.querySelector("[data-lots]"), lot = form.elements.lot, cells = form.elements.cells;
    const found = form.querySelector("[data-lot-found]"), why = form.querySelector("[data-lot-why]");
    if (!list || !lot || !found || !why) return;
    const rows = [...list.querySelectorAll("[data-lot]")], codes = cut(lot.value);
    const fits = (row) => !row.dataset.cells || !cells || !cells.value || row.dataset.cells === cells.value;
    rows.forEach((row) => { row.hidden = !fits(row); });
    list.hidden = rows.every((row) => row.hidden);
    const bad = rows.filter((row) => fits(row) && codes.includes(row.dataset.lot.toLowerCase()));
    const words = bad.length ? [...bad.map((row) => row.textContent.trim()), list.dataset.todo].join(". ") : "";
    const place = found.querySelector("span");
    if (place.textContent !== words) place.textContent = words;
    found.hidden = !bad.length;
    const field = form.elements.lot_why;
    why.hidden = !bad.length && !field.value && !why.querySelector("[aria-invalid]");
    field.required = bad.length > 0;
  };
  const all = () => doc.querySelectorAll("form:has([data-lots])").forEach(look);
  const typed = (e) => { if (e.target.form?.querySelector("[data-lots]")) look(e.target.form); };
  doc.addEventListener("input", typed);
  doc.addEventListener("change", typed);
  // A field that is asked for behind a closed word could not be seen, and pressing the button would do nothing at all.
  doc.addEventListener("invalid", (e) => {
    const box = e.target.closest?.("[data-lot-why]")?.closest("details");
    if (box) box.open = true;
  }, true);
  doc.addEventListener("htmx:afterSettle", all);
  if (doc.readyState === "loading") doc.addEventListener("DOMContentLoaded", all); else all();
})();
