// Areas in walking order: dragging a row presses the row's own form. Buttons do the same without this file.
(() => {
  "use strict";
  const doc = document;
  let dragged = null;
  const rowOf = (e) => e.target.closest?.("[data-area]");
  const clear = () => doc.querySelectorAll("[data-over], [data-dragging]").forEach((row) => {
    row.removeAttribute("data-over");
    row.removeAttribute("data-dragging");
  });
  const send = (row, before) => {
    const form = row.querySelector("form");
    const add = (name, value) => {
      const field = doc.createElement("input");
      Object.assign(field, { type: "hidden", name, value });
      form.append(field);
    };
    add("to", "before");
    add("before", before ? before.dataset.area : "");
    form.requestSubmit();
  };
  const begin = () => doc.querySelectorAll("[data-areas] > [data-area]").forEach((row) => {
    row.draggable = true;
    row.dataset.drag = "1";
  });
  doc.addEventListener("dragstart", (e) => {
    dragged = rowOf(e);
    if (!dragged) return;
    dragged.dataset.dragging = "1";
    e.dataTransfer.effectAllowed = "move";
    e.dataTransfer.setData("text/plain", dragged.dataset.area);
  });
  doc.addEventListener("dragover", (e) => {
    const row = rowOf(e);
    if (!dragged || !row) return;
    e.preventDefault();
    doc.querySelectorAll("[data-over]").forEach((old) => old.removeAttribute("data-over"));
    if (row !== dragged) row.dataset.over = "1";
  });
  doc.addEventListener("drop", (e) => {
    const row = rowOf(e), moved = dragged;
    if (!moved || !row) return;
    e.preventDefault();
    clear();
    dragged = null;
    if (row === moved) return;
    const box = row.getBoundingClientRect();
    const isLastHalf = row === row.parentElement.lastElementChild && e.clientY > box.top + box.height / 2;
    send(moved, isLastHalf ? null : row);
  });
  doc.addEventListener("dragend", () => { clear(); dragged = null; });
  doc.addEventListener("htmx:afterSettle", begin);
  if (doc.readyState === "loading") doc.addEventListener("DOMContentLoaded", begin); else begin();
})();
