// What a page may add to its HTML: every form and link works without this file. No framework, no inline script.
(() => {
  "use strict";
  const doc = document;
  doc.documentElement.classList.add("js");

  // --- toasts: news leaves by itself, trouble stays until it is closed ---
  const LEAVES_AFTER_MS = 8000;
  const tend = (toast) => {
    if (toast.dataset.tended) return;
    toast.dataset.tended = "1";
    if (toast.matches(".toast--error, .toast--warning")) return;
    const stays = toast.querySelector(".toast__undo") ? 3 * LEAVES_AFTER_MS : LEAVES_AFTER_MS;
    const leave = () => (toast.matches(":hover, :focus-within") ? setTimeout(leave, 2000) : toast.remove());
    setTimeout(leave, stays);
  };
  const say = (text, level = "error") => {
    const box = doc.getElementById("toasts");
    if (!box || [...box.children].some((t) => t.firstElementChild?.textContent === text)) return;
    const toast = doc.createElement("div");
    toast.className = `toast toast--${level}`;
    const words = doc.createElement("span");
    words.textContent = text;
    const close = doc.createElement("button");
    Object.assign(close, { type: "button", className: "toast__close", textContent: "×" });
    close.setAttribute("aria-label", "Close this message");
    close.dataset.closeToast = "";
    toast.append(words, close);
    box.append(toast);
  };
  doc.addEventListener("htmx:responseError", (e) => {
    const code = e.detail.xhr.status;
    say(code === 404 ? "That is no longer there. Load the page again."
      : code === 403 ? "The page is too old to send from. Load it again."
      : "The server could not do that. Nothing was saved.");
  });
  doc.addEventListener("htmx:sendError", () => say("No connection. Nothing was sent."));
  doc.addEventListener("htmx:timeout", () => say("No answer in time. Check before you send it again."));

  // --- questions before a deed that cannot be taken back ---
  const ask = (form, submitter) => {
    const box = doc.getElementById("confirm");
    box.querySelector("#confirm-text").textContent = form.dataset.confirm;
    const yes = box.querySelector("[data-confirm-yes]");
    yes.textContent = form.dataset.confirmButton || "Go ahead";
    yes.onclick = () => {
      box.close();
      form.dataset.confirmed = "1";
      form.requestSubmit(submitter || undefined);
    };
    box.querySelector("[data-confirm-no]").onclick = () => box.close();
    box.showModal();
  };

  // --- a part that asks for itself again rests while nobody looks ---
  doc.addEventListener("htmx:beforeRequest", (e) => {
    if (doc.hidden && e.detail.elt.matches("[data-poll]")) e.preventDefault();
  });

  // --- a part that waits for its answer takes no second request: its buttons are about to be replaced ---
  const busy = (el) => el.closest('[aria-busy="true"]');
  doc.addEventListener("htmx:beforeSend", (e) => {
    const { target, elt } = e.detail;
    if (target && target !== elt) target.setAttribute("aria-busy", "true");
  });
  doc.addEventListener("htmx:afterRequest", (e) => e.detail.target?.removeAttribute("aria-busy"));
  doc.addEventListener("click", (e) => {
    const link = e.target.closest?.("a[hx-get]");
    if (link && busy(link)) { e.preventDefault(); e.stopImmediatePropagation(); }
  }, true);

  // --- one form, one send ---
  const release = (form) => {
    delete form.dataset.sending;
    delete form.dataset.confirmed;
    form.querySelectorAll("[data-held]").forEach((b) => {
      b.disabled = false;
      delete b.dataset.held;
      if (b.dataset.hadFocus && doc.activeElement === doc.body) b.focus();
      delete b.dataset.hadFocus;
    });
  };
  doc.addEventListener("submit", (e) => {  // capture: before htmx sees it
    const form = e.target;
    const stop = () => { e.preventDefault(); e.stopImmediatePropagation(); };
    if (form.dataset.sending || busy(form)) return stop();
    if (form.dataset.confirm && !form.dataset.confirmed) { stop(); return ask(form, e.submitter); }
    if ((form.method || "get").toLowerCase() === "get" || "resend" in form.dataset) return;
    form.dataset.sending = "1";
    setTimeout(() => form.querySelectorAll("button:not([type=button])").forEach((b) => {  // after the button's value went along
      if (b.disabled) return;
      if (b === doc.activeElement) b.dataset.hadFocus = "1";
      b.dataset.held = "1";
      b.disabled = true;
    }), 0);
  }, true);
  doc.addEventListener("htmx:afterRequest", (e) => { if (e.target.matches?.("form")) setTimeout(() => release(e.target), 0); });
  window.addEventListener("pageshow", () => doc.querySelectorAll("form[data-sending]").forEach(release));

  // --- focus: a swap must not throw the keyboard user back to the top ---
  // What somebody has opened stays open when the part around it is fetched anew.
  let heldFocus = false, heldOpen = [];
  doc.addEventListener("htmx:beforeSwap", (e) => {
    const target = e.detail.target;
    heldOpen = [...target.querySelectorAll("details[id][open]")].map((d) => d.id);
    heldFocus = target.contains(doc.activeElement) && doc.activeElement !== doc.body
      || !!target.querySelector("[data-had-focus]");
  });
  doc.addEventListener("htmx:afterSettle", (e) => {
    start(doc);
    heldOpen.forEach((id) => { const d = doc.getElementById(id); if (d) d.open = true; });
    heldOpen = [];
    if (!heldFocus || (doc.activeElement && doc.activeElement !== doc.body)) return;
    heldFocus = false;
    const root = e.detail.elt.isConnected ? e.detail.elt : doc.getElementById("main");
    const next = root.querySelector("[data-errors]") || root.querySelector("[data-focus]") || root;
    if (!next.matches("a[href], button, input, select, textarea, [tabindex]")) next.setAttribute("tabindex", "-1");
    next.focus({ preventScroll: next === root });
  });

  // --- signature: a drawn line becomes an SVG path in a hidden field; a typed name does the same without scripts ---
  const signature = (canvas) => {
    if (canvas.dataset.ready) return;
    canvas.dataset.ready = "1";
    const field = doc.getElementById(canvas.dataset.signature);
    const WIDTH = 600, HEIGHT = 200;  // the path's own units, whatever the screen
    Object.assign(canvas, { width: WIDTH, height: HEIGHT });
    const pen = canvas.getContext("2d");
    let path = [], down = false;
    const clear = () => { path = []; field.value = ""; pen.clearRect(0, 0, WIDTH, HEIGHT); };
    const at = (e) => {
      const box = canvas.getBoundingClientRect();
      const inside = (v, most) => Math.round(Math.min(Math.max(v, 0), most));
      return [inside((e.clientX - box.left) / box.width * WIDTH, WIDTH), inside((e.clientY - box.top) / box.height * HEIGHT, HEIGHT)];
    };
    const draw = (letter, e) => {
      const [x, y] = at(e);
      path.push(`${letter}${x} ${y}`);
      if (letter === "M") { pen.beginPath(); pen.moveTo(x, y); } else { pen.lineTo(x, y); pen.stroke(); }
    };
    canvas.addEventListener("pointerdown", (e) => {
      Object.assign(pen, { strokeStyle: getComputedStyle(canvas).color, lineWidth: 3, lineCap: "round", lineJoin: "round" });
      canvas.setPointerCapture(e.pointerId);
      down = true;
      draw("M", e);
    });
    canvas.addEventListener("pointermove", (e) => { if (down && path.length < 4000) draw("L", e); });
    const lift = () => { if (down) { down = false; field.value = path.length > 3 ? path.join("") : ""; } };
    canvas.addEventListener("pointerup", lift);
    canvas.addEventListener("pointercancel", lift);
    doc.querySelectorAll(`[data-signature-clear="${field.id}"]`).forEach((b) => b.addEventListener("click", clear));
  };

  const start = (root) => {
    root.querySelectorAll("canvas[data-signature]").forEach(signature);
    root.querySelectorAll(".toast").forEach(tend);
  };
  const begin = () => {
    start(doc);
    showSlash();
    doc.querySelector("[data-errors]")?.focus();
    new MutationObserver(() => start(doc)).observe(doc.getElementById("toasts") || doc.body, { childList: true });
  };

  // --- small things ---
  // A single-key shortcut can be switched off (WCAG 2.2, success criterion 2.1.4); the choice stays in this browser.
  const remember = (key, value) => { try { localStorage.setItem(key, value); } catch { /* storage refused: not remembered */ } };
  const recall = (key) => { try { return localStorage.getItem(key); } catch { return ""; } };
  const showSlash = () => doc.querySelectorAll("[data-slash]").forEach((b) => {
    b.setAttribute("aria-pressed", String(!recall("no-slash")));
    b.textContent = `Single keys: ${recall("no-slash") ? "off" : "on"}`;
  });
  // Parts of the page that are still on their way are waited for, but not for ever: paper says which did not come.
  const PRINT_WAITS_MS = 5000;
  const printWhole = (until = Date.now() + PRINT_WAITS_MS) => {
    if (doc.querySelector('[hx-trigger="load"]') && Date.now() < until) setTimeout(printWhole, 100, until);
    else window.print();
  };
  doc.addEventListener("click", (e) => {
    e.target.closest?.("[data-close-toast]")?.closest(".toast").remove();
    if (e.target.closest?.("[data-print]")) printWhole();
    const slash = e.target.closest?.("[data-slash]");
    if (slash) { remember("no-slash", slash.getAttribute("aria-pressed") === "true" ? "1" : ""); showSlash(); }
    doc.querySelectorAll("details[data-menu][open]").forEach((m) => { if (!m.contains(e.target)) m.open = false; });
  });
  doc.addEventListener("change", (e) => { if ("autosubmit" in e.target.dataset) e.target.form.requestSubmit(); });
  doc.addEventListener("keydown", (e) => {
    if (e.key === "Escape") doc.querySelectorAll("details[data-menu][open]").forEach((m) => { m.open = false; m.querySelector("summary").focus(); });
    if (e.key !== "/" || recall("no-slash") || e.ctrlKey || e.metaKey || e.altKey || e.target.closest("input, textarea, select, [contenteditable]")) return;
    const search = doc.querySelector("[data-search]");
    if (search) { e.preventDefault(); search.focus(); search.select(); }
  });

  if (doc.readyState === "loading") doc.addEventListener("DOMContentLoaded", begin); else begin();
})();
