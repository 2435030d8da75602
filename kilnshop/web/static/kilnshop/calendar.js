"use strict";
// Bars of the calendar move by days and chambers. Nothing is saved here: a drop asks the server what it would
// change, and the form in its answer saves it.
(() => {
  const svg = document.querySelector("[data-calendar]");
  const dialog = document.getElementById("drop");
  if (!svg || !dialog) return;
  const said = document.getElementById("calendar-said");
  const dayWidth = Number(svg.dataset.dayWidth);
  const lanes = [...svg.querySelectorAll("[data-lane]")];
  const DAY = 86400000;
  const words = new Intl.DateTimeFormat("en-US", { weekday: "short", day: "numeric", month: "short", timeZone: "UTC" });
  const plus = (iso, days) => new Date(Date.parse(iso) + days * DAY).toISOString().slice(0, 10);
  const laneOf = (bar) => lanes.findIndex((lane) => lane.dataset.lane === bar.dataset.chamber);
  const scale = () => svg.viewBox.baseVal.width / svg.getBoundingClientRect().width;
  let held = null; // {bar, days, rows, end}: where a bar is held, not yet saved

  const show = () => {
    const { bar, days, rows, end } = held;
    bar.classList.add("held");
    if (end) {
      const box = bar.querySelector("rect");
      box.setAttribute("width", Math.max(dayWidth, Number(box.dataset.width) + days * dayWidth));
      bar.querySelector("[data-handle]").setAttribute("transform", `translate(${days * dayWidth} 0)`);
      said.textContent = `Held to ${words.format(Date.parse(plus(bar.dataset.last, days)))}`;
    } else {
      bar.setAttribute("transform", `translate(${days * dayWidth} ${rows * Number(svg.dataset.rowHeight)})`);
      const chamber = lanes[laneOf(bar) + rows].dataset.name;
      said.textContent = `${chamber}, from ${words.format(Date.parse(plus(bar.dataset.first, days)))}`;
    }
  };
  const putBack = () => {
    if (!held) return;
    const { bar } = held;
    held = null;
    bar.classList.remove("held");
    bar.removeAttribute("transform");
    const box = bar.querySelector("rect");
    box.setAttribute("width", box.dataset.width);
    bar.querySelector("[data-handle]").removeAttribute("transform");
    said.textContent = "Put back";
    bar.focus();
  };
  const hold = (bar, end) => {
    const box = bar.querySelector("rect");
    box.dataset.width ??= box.getAttribute("width");
    held = { bar, days: 0, rows: 0, end };
  };
  const moveTo = (days, rows) => {
    const least = Math.round((Date.parse(held.bar.dataset.first) - Date.parse(held.bar.dataset.last)) / DAY);
    held.days = held.end ? Math.max(days, least) : days;
    const from = laneOf(held.bar);
    held.rows = held.end ? 0 : Math.min(Math.max(rows, -from), lanes.length - 1 - from);
    show();
  };
  const drop = async () => {
    const { bar, days, rows, end } = held;
    if (!days && !rows) return putBack();
    const given = new FormData();
    given.set("csrfmiddlewaretoken", document.querySelector("[name=csrfmiddlewaretoken]").value);
    given.set("do", "drop");
    given.set("seen", svg.dataset.seen);
    if (end) {
      const last = plus(bar.dataset.last, days);
      given.set("last_day", last);
      given.set("likely_last_day", bar.dataset.likely < last ? bar.dataset.likely : last);
    } else {
      given.set("first_day", plus(bar.dataset.first, days));
      given.set("chamber", lanes[laneOf(bar) + rows].dataset.lane);
    }
    dialog.innerHTML = "<p role=\"status\">Working out what this changes…</p>";
    dialog.showModal();
    try {
      const answer = await fetch(end ? bar.dataset.days : bar.dataset.move, { method: "POST", body: given });
      if (!answer.ok) throw new Error(answer.status);
      dialog.innerHTML = await answer.text();
    } catch {
      dialog.innerHTML = `<p>${dialog.dataset.problem}</p><button type="button" data-put-back>Put it back</button>`;
    }
    dialog.querySelector("input:not([type=hidden]), [data-put-back]").focus();
  };
  dialog.addEventListener("close", putBack);
  dialog.addEventListener("click", (event) => {
    if (event.target.closest("[data-put-back]")) dialog.close();
  });

  // Mouse and touch
  let from = null;
  const barAt = (event) => event.target.closest?.("[data-bar]");
  svg.addEventListener("touchstart", (event) => barAt(event) && event.preventDefault(), { passive: false });
  svg.addEventListener("dragstart", (event) => event.preventDefault());
  svg.addEventListener("pointerdown", (event) => {
    const bar = barAt(event);
    if (!bar || event.button) return;
    const end = Boolean(event.target.closest("[data-handle]")) || !bar.dataset.move;
    from = { bar, end, x: event.clientX, y: event.clientY, touch: event.pointerType !== "mouse", moved: false };
    svg.setPointerCapture(event.pointerId);
  });
  svg.addEventListener("pointermove", (event) => {
    if (!from) return;
    const x = event.clientX - from.x, y = event.clientY - from.y;
    if (!from.moved && Math.hypot(x, y) < 6) return;
    if (!from.moved) {
      putBack();
      hold(from.bar, from.end);
    }
    from.moved = true;
    moveTo(Math.round((x * scale()) / dayWidth), Math.round((y * scale()) / Number(svg.dataset.rowHeight)));
  });
  svg.addEventListener("pointerup", () => {
    const was = from;
    from = null;
    if (was?.moved) drop();
    else if (was?.touch) window.location.assign(was.bar.href.baseVal);
    else if (was) was.bar.dataset.plain = "yes";
  });
  svg.addEventListener("pointercancel", () => {
    from = null;
    putBack();
  });
  svg.addEventListener("click", (event) => {
    // With the pointer captured the click lands on the drawing, so a plain click is followed by hand.
    const plain = svg.querySelector("[data-plain]");
    if (plain) {
      delete plain.dataset.plain;
      if (!event.target.closest("a")) window.location.assign(plain.href.baseVal);
    } else if (barAt(event) && event.detail) event.preventDefault();
  });

  // Keyboard
  const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  svg.addEventListener("keydown", (event) => {
    const bar = barAt(event);
    const step = STEPS[event.key];
    if (bar && step) {
      const end = event.shiftKey || !bar.dataset.move;
      if (end && step[1]) return;
      event.preventDefault();
      if (held?.bar !== bar || held.end !== end) {
        putBack();
        hold(bar, end);
      }
      moveTo(held.days + step[0], held.rows + step[1]);
    } else if (held && event.key === "Enter") {
      event.preventDefault();
      drop();
    } else if (event.key === "Escape") putBack();
  });
  svg.addEventListener("focusout", () => !dialog.open && !from && putBack());

  const today = svg.querySelector(".today");
  if (today) svg.parentElement.scrollLeft = today.x1.baseVal.value / scale() - 160;
})();
