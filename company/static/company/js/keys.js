// Single keys for whoever sits at a keyboard all day. All of them can be switched off in the user's menu (WCAG 2.2, 2.1.4).
(() => {
  "use strict";
  const doc = document;
  const off = () => { try { return Boolean(localStorage.getItem("no-slash")); } catch { return false; } };
  const typing = (el) => el.closest?.("input, textarea, select, [contenteditable], dialog[open]");

  const rows = () => [...doc.querySelectorAll("main tbody tr:not(.group), main [data-hits] li")].filter((row) => row.querySelector("a[href], button") && row.offsetParent);
  const step = (by) => {
    const all = rows();
    if (!all.length) return false;
    const at = all.findIndex((row) => row.contains(doc.activeElement));
    const next = all[at < 0 ? (by > 0 ? 0 : all.length - 1) : Math.min(Math.max(at + by, 0), all.length - 1)];
    next.querySelector("a[href], button").focus();
    return true;
  };
  const press = (selector) => {
    const found = [...doc.querySelectorAll(selector)].pop();
    found?.click();
    return Boolean(found);
  };
  const help = () => {
    const box = doc.getElementById("keys");
    if (!box) return false;
    if (box.open) box.close(); else box.showModal();
    return true;
  };

  const KEYS = {
    "?": help,
    j: () => step(1),
    k: () => step(-1),
    n: () => press("main a[rel=next]"),
    p: () => press("main a[rel=prev]"),
    u: () => press(".toast__undo button"),
  };
  let going = 0; // when g was pressed: a digit within two seconds names an entry of the menu
  doc.addEventListener("keydown", (e) => {
    if (off() || e.ctrlKey || e.metaKey || e.altKey || typing(e.target)) return;
    if (going && Date.now() - going < 2000 && /^[1-9]$/.test(e.key)) {
      going = 0;
      if (press(`.top__nav li:nth-child(${e.key}) a`)) e.preventDefault();
      return;
    }
    going = e.key === "g" ? Date.now() : 0;
    if (Object.hasOwn(KEYS, e.key) && KEYS[e.key]()) e.preventDefault();
  });
  doc.addEventListener("click", (e) => {
    if (e.target.closest?.("[data-keys]")) help();
    if (e.target.closest?.("[data-close-keys]")) doc.getElementById("keys")?.close();
  });
})();
