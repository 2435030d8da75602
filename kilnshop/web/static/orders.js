"use strict";
// The live estimate never shows old figures as if they were of what is typed now.
(() => {
  const trouble = document.getElementById("estimate-trouble");
  const place = document.getElementById("estimate");
  const say = (words) => {
    trouble.textContent = words;
    trouble.hidden = !words;
    place.hidden = Boolean(words);
  };
  place.addEventListener("htmx:sendError", () =>
    say("No connection to the shop’s computer. What you typed stays here; the estimate comes back with the connection."));
  place.addEventListener("htmx:responseError", (event) =>
    say(event.detail.xhr.status === 403
      ? "You may not see this estimate, or this page is too old. Save the lot, or open the page again."
      : "The estimate could not be worked out. Save the lot and look at the order."));
  place.addEventListener("htmx:beforeSwap", (event) => {
    if (event.detail.xhr.status !== 200) return;
    const signedOut = !event.detail.xhr.responseText.includes("data-estimate");
    event.detail.shouldSwap = !signedOut;
    say(signedOut ? "You are signed out. Sign in again in another tab, then go on here: what you typed stays." : "");
  });
})();
