"use strict";
// The reading page: what is typed stays on the phone until the server has it. The form's entry number travels
// with it, so that a reading sent twice counts once.
(() => {
  const form = document.querySelector("[data-keep]");
  if (!form) return;
  const place = form.dataset.keep;
  const told = document.querySelector("[data-offline]");
  const half_day = 12 * 3600 * 1000;
  const kept = () => {
    const found = JSON.parse(localStorage.getItem(place) || "null");
    return found && (found.waiting || Date.now() - found.at < half_day) ? found : null;
  };
  const fields = () => [...form.elements].filter((e) => e.name && !["file", "submit"].includes(e.type) && e.name !== "csrfmiddlewaretoken");
  const typed = () => Object.fromEntries(fields().map((e) => [e.name, e.value]));
  const forget = () => localStorage.removeItem(place);
  const keep = (waiting) => localStorage.setItem(place, JSON.stringify({ waiting, at: Date.now(), values: typed() }));

  const sent = new URLSearchParams(location.search).get("sent");
  const before = kept();
  if (before && before.values.entry === sent) forget();
  else if (before && !document.querySelector("[data-error-summary]")) {
    for (const field of fields()) if (before.values[field.name]) field.value = before.values[field.name];
  }
  if (sent) history.replaceState(null, "", location.pathname);

  const offline = () => (told.hidden = false);
  const sendWaiting = () => {
    if (kept()?.waiting && navigator.onLine) form.requestSubmit();
    else if (navigator.onLine) told.hidden = true;
  };
  form.addEventListener("input", () => keep(false));
  form.addEventListener("submit", (event) => {
    keep(!navigator.onLine);
    if (navigator.onLine) return;
    event.preventDefault();
    offline();
  });
  window.addEventListener("online", sendWaiting);
  window.addEventListener("offline", offline);
  if (!navigator.onLine) offline();
  else if (before?.waiting && before.values.entry !== sent) sendWaiting();
})();
