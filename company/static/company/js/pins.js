// Pins on a floor plan: drag them, move them by keyboard, place new ones. Saving is the page's own form.
(() => {
  "use strict";
  const doc = document;
  const PIN_PX = 13;  // half of a pin's width on the screen; wider under a thumb
  const DRAG_PX = 4;  // less than this was a press, not a drag
  const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  const SVG = "http://www.w3.org/2000/svg";
  let kept = null;  // size and scroll of the plan while its part of the page is exchanged

  const inside = (value) => Math.round(Math.min(Math.max(value, 0), 1000));
  // Beside the plan, or where the plan is scrolled out of its frame: nobody means its edge by that.
  const isBeside = (svg, e) => [svg, svg.parentElement].map((each) => each.getBoundingClientRect())
    .some((box) => e.clientX < box.left || e.clientX > box.right || e.clientY < box.top || e.clientY > box.bottom);
  const say = (text) => { const box = doc.getElementById("plan-said"); if (box) box.textContent = text; };
  const percent = (value) => String(value / 10);

  const scaleOf = (svg) => {
    const wide = svg.getBoundingClientRect().width || 1;
    const half = matchMedia("(pointer: coarse)").matches ? PIN_PX * 1.25 : PIN_PX;
    return Number(svg.dataset.width) / wide * half / 12;
  };
  const put = (svg, pin, x, y) => {
    Object.assign(pin.dataset, { nowX: x, nowY: y });
    const left = x / 1000 * Number(svg.dataset.width), top = y / 1000 * Number(svg.dataset.height);
    pin.setAttribute("transform", `translate(${left.toFixed(1)} ${top.toFixed(1)}) scale(${scaleOf(svg).toFixed(3)})`);
  };
  const place = (pin) => [Number(pin.dataset.nowX ?? pin.dataset.x), Number(pin.dataset.nowY ?? pin.dataset.y)];
  const drawAll = (svg) => svg.querySelectorAll("[data-pin]").forEach((pin) => put(svg, pin, ...place(pin)));

  const fill = (pin) => {
    const form = doc.getElementById("pin-form");
    if (!form) return null;
    const [x, y] = place(pin);
    form.elements.place.value = pin.dataset.pin;
    form.elements.x.value = percent(x);
    form.elements.y.value = percent(y);
    return form;
  };
  const save = (svg, pin) => {
    svg.removeAttribute("data-choosing");
    fill(pin)?.requestSubmit();
  };
  const back = (svg, pin) => {
    svg.removeAttribute("data-choosing");
    if ("ghost" in pin.dataset) {
      const key = pin.dataset.pin;
      pin.remove();
      doc.querySelector(`[data-place="${key}"]`)?.focus();
      return say("Not placed.");
    }
    pin.removeAttribute("data-moved");
    put(svg, pin, Number(pin.dataset.x), Number(pin.dataset.y));
    say("Back where it was.");
  };
  const moveTo = (svg, pin, x, y) => {
    put(svg, pin, inside(x), inside(y));
    pin.dataset.moved = "1";
    fill(pin);
  };

  const onKey = (svg, e) => {
    const pin = e.target.closest?.("[data-pin]");
    if (!pin) return;
    const step = STEPS[e.key];
    if (step) {
      e.preventDefault();
      e.stopPropagation();
      const far = e.shiftKey ? 50 : 10;
      const [x, y] = place(pin);
      moveTo(svg, pin, x + step[0] * far, y + step[1] * far);
      const [nowX, nowY] = place(pin);
      say(`${percent(nowX)} % from the left, ${percent(nowY)} % from the top. Enter keeps the place, Escape takes it back.`);
    } else if (e.key === "Enter" || e.key === " ") {
      e.preventDefault();
      if (pin.dataset.moved) save(svg, pin); else say(pin.getAttribute("aria-label"));
    } else if (e.key === "Escape") {
      e.preventDefault();
      back(svg, pin);
    }
  };

  const where = (svg, e) => {
    const box = svg.getBoundingClientRect();
    return [(e.clientX - box.left) / box.width * 1000, (e.clientY - box.top) / box.height * 1000];
  };
  const onPress = (svg, e) => {
    const pin = e.target.closest?.("[data-pin]");
    if (e.button !== 0) return;
    if (!pin) {
      const ghost = svg.querySelector("[data-ghost]");
      if (ghost && svg.hasAttribute("data-choosing")) {
        e.preventDefault();
        moveTo(svg, ghost, ...where(svg, e));
        save(svg, ghost);
      }
      return;
    }
    const [fromX, fromY] = [e.clientX, e.clientY];
    const start = where(svg, e), at = place(pin);
    let dragged = false;
    e.preventDefault();
    pin.focus({ preventScroll: true });
    pin.setPointerCapture(e.pointerId);
    const move = (m) => {
      if (!dragged && Math.hypot(m.clientX - fromX, m.clientY - fromY) < DRAG_PX) return;
      dragged = true;
      const now = where(svg, m);
      moveTo(svg, pin, at[0] + now[0] - start[0], at[1] + now[1] - start[1]);
    };
    const end = (ended) => {
      ["pointermove", "pointerup", "pointercancel"].forEach((name) => pin.removeEventListener(name, name === "pointermove" ? move : end));
      if (!dragged && "ghost" in pin.dataset) {
        // A new pin waits in the middle of the plan: a click on it is a click on the plan.
        moveTo(svg, pin, ...where(svg, ended));
        return save(svg, pin);
      }
      if (!dragged) return say(pin.getAttribute("aria-label"));
      if (ended.type === "pointercancel") return back(svg, pin);
      if (!isBeside(svg, ended)) return save(svg, pin);
      back(svg, pin);
      say("Let go beside the plan: the pin is not moved.");
    };
    pin.addEventListener("pointermove", move);
    pin.addEventListener("pointerup", end);
    pin.addEventListener("pointercancel", end);
  };

  // A slot without a pin: a pin in the middle of what is seen, to be clicked, dragged or moved by keys.
  const ghost = (svg, link) => {
    svg.querySelectorAll("[data-ghost]").forEach((old) => old.remove());
    const view = svg.parentElement.getBoundingClientRect(), box = svg.getBoundingClientRect();
    const pin = doc.createElementNS(SVG, "g");
    const attributes = { class: "pin", id: `pin-${link.dataset.place}`, tabindex: "0", role: "button", "aria-describedby": "plan-keys", "aria-label": link.dataset.name };
    Object.entries(attributes).forEach(([name, value]) => pin.setAttribute(name, value));
    Object.assign(pin.dataset, { pin: link.dataset.place, ghost: "1", x: "500", y: "500" });
    const ring = doc.createElementNS(SVG, "circle"), shape = doc.createElementNS(SVG, "circle"), no = doc.createElementNS(SVG, "text");
    [[ring, "pin__ring", "20"], [shape, "pin__shape", "12"]].forEach(([circle, name, r]) => { circle.setAttribute("class", name); circle.setAttribute("r", r); });
    Object.entries({ fill: svg.dataset.sheet, stroke: svg.dataset.ink, "stroke-width": "2.5" }).forEach(([name, value]) => shape.setAttribute(name, value));
    ring.setAttribute("fill", "none");
    no.setAttribute("fill", svg.dataset.ink);
    Object.entries({ class: "pin__no", "text-anchor": "middle", y: "4", "font-size": "10" }).forEach(([name, value]) => no.setAttribute(name, value));
    no.textContent = link.dataset.ref;
    pin.append(ring, shape, no);
    svg.append(pin);
    const middle = (a, b, c) => (a + b / 2 - c) * 1000;
    moveTo(svg, pin, middle(view.left, view.width, box.left) / box.width, middle(view.top, view.height, box.top) / box.height);
    svg.setAttribute("data-choosing", "");
    svg.parentElement.scrollIntoView({ block: "nearest" });
    pin.focus({ preventScroll: true });
    say(`${link.dataset.name}: click on the plan where it stands, or move the pin with the arrow keys and press Enter.`);
  };

  const zoom = (svg, times) => {
    const view = svg.parentElement;
    const share = [(view.scrollLeft + view.clientWidth / 2) / svg.clientWidth || 0.5, (view.scrollTop + view.clientHeight / 2) / svg.clientHeight || 0.5];
    svg.setAttribute("width", `${times}00%`);
    drawAll(svg);
    view.scrollTo(share[0] * svg.clientWidth - view.clientWidth / 2, share[1] * svg.clientHeight - view.clientHeight / 2);
    doc.querySelectorAll("[data-zoom]").forEach((link) => {
      if (link.dataset.zoom === String(times)) link.setAttribute("aria-current", "true"); else link.removeAttribute("aria-current");
    });
  };

  const begin = () => {
    const svg = doc.querySelector("svg[data-plan]");
    if (!svg || svg.dataset.ready) return;
    svg.dataset.ready = "1";
    // On a small screen many pins would lie over one another: begin nearer, the rest is a swipe away.
    if (!kept && svg.parentElement.clientWidth < 520 && svg.querySelectorAll("[data-pin]").length > 12 && svg.getAttribute("width") === "100%") zoom(svg, 2);
    if (kept) {
      zoom(svg, kept.zoom);
      svg.parentElement.scrollTo(kept.left, kept.top);
      kept = null;
    }
    drawAll(svg);
    new ResizeObserver(() => drawAll(svg)).observe(svg);
    if (!svg.hasAttribute("data-may-place")) return;
    svg.addEventListener("keydown", (e) => onKey(svg, e));
    svg.addEventListener("pointerdown", (e) => onPress(svg, e));
  };
  doc.addEventListener("click", (e) => {
    const svg = doc.querySelector("svg[data-plan]");
    const size = e.target.closest?.("[data-zoom]"), chosen = e.target.closest?.("[data-place]");
    if (!svg || !(size || chosen)) return;
    e.preventDefault();
    if (size) zoom(svg, Number(size.dataset.zoom)); else ghost(svg, chosen);
  });
  doc.addEventListener("htmx:beforeSwap", () => {
    const svg = doc.querySelector("svg[data-plan]");
    if (svg) kept = { zoom: parseInt(svg.getAttribute("width"), 10) / 100 || 1, left: svg.parentElement.scrollLeft, top: svg.parentElement.scrollTop };
  });
  doc.addEventListener("htmx:afterSettle", begin);
  if (doc.readyState === "loading") doc.addEventListener("DOMContentLoaded", begin); else begin();
})();
