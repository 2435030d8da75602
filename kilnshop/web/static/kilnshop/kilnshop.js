"use strict";
(() => {
  const focusErrors = (root) => {
    const summary = root.querySelector("[data-error-summary]");
    if (summary) summary.focus();
  };

  // Colours of the drawing stay those of paper: the plate behind it is light in both themes.
  let library = null;
  const withLibrary = () => {
    library ??= new Promise((done, failed) => {
      const script = document.createElement("script");
      script.type = "module";
      script.src = document.querySelector("meta[name=chart-library]").content;
      script.onload = done;
      script.onerror = failed;
      document.head.append(script);
    });
    return library;
  };
  const drawCharts = async (root) => {
    const places = [...root.querySelectorAll("[data-chart]:not([data-drawn])")];
    if (!places.length) return;
    places.forEach((place) => (place.dataset.drawn = "yes"));
    try {
      await withLibrary();
      for (const place of places) {
        const spec = JSON.parse(document.getElementById(place.dataset.chart).textContent);
        await window.vegaEmbed(place, spec, {
          ast: true, actions: false, defaultStyle: false, renderer: "svg",
          tooltip: { disableDefaultStyle: true },
        });
      }
    } catch (error) {
      places.forEach((place) => (place.textContent = "The chart could not be drawn; the figures below are complete."));
      console.error(error);
    }
  };

  const ready = (root) => {
    focusErrors(root);
    drawCharts(root);
    root.querySelectorAll(".tabs [aria-current]").forEach((tab) => {
      const bar = tab.parentElement;
      bar.scrollLeft = tab.offsetLeft - bar.offsetLeft - (bar.clientWidth - tab.clientWidth) / 2;
    });
  };
  document.addEventListener("DOMContentLoaded", () => ready(document));
  document.addEventListener("htmx:afterSwap", (event) => ready(event.target));

  document.addEventListener("click", (event) => {
    for (const menu of document.querySelectorAll("details.me[open], details.more[open]")) {
      if (!menu.contains(event.target)) menu.open = false;
    }
    const add = event.target.closest("[data-add-row]");
    if (add) {
      const prefix = add.dataset.addRow;
      const total = document.querySelector(`[name="${prefix}-TOTAL_FORMS"]`);
      const row = document.querySelector(`template[data-row-of="${prefix}"]`).innerHTML;
      const place = document.querySelector(`[data-rows="${prefix}"]`);
      place.insertAdjacentHTML("beforeend", row.replaceAll("__prefix__", total.value));
      total.value = Number(total.value) + 1;
      place.lastElementChild.querySelector("input:not([type=hidden]), select")?.focus();
    }
    if (event.target.closest("[data-print]")) window.print();
    const copy = event.target.closest("[data-copy]");
    if (copy) {
      // works without https too, where the browser keeps its clipboard shut
      document.getElementById(copy.dataset.copy).select();
      document.execCommand("copy");
      copy.textContent = "Copied";
    }
  });
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    for (const menu of document.querySelectorAll("details.me[open], details.more[open]")) {
      menu.open = false;
      menu.querySelector("summary").focus();
    }
  });
  document.addEventListener("submit", (event) => {
    const question = event.submitter?.dataset.confirm || event.target.dataset.confirm;
    if (question && !window.confirm(question)) event.preventDefault();
    else if (event.target.matches("[data-progress]")) withProgress(event);
  });

  // Long work (the button named by data-progress) answers line by line how far it is; without this the same form
  // simply takes its time. A button in .progress with data-stop asks the work to end early.
  const withProgress = async (event) => {
    const form = event.target;
    const told = form.querySelector(".progress");
    told.hidden = false;
    told.scrollIntoView({ block: "nearest" });
    if (event.submitter?.value !== form.dataset.progress) return;
    event.preventDefault();
    const body = new FormData(form, event.submitter);
    form.querySelectorAll("button").forEach((button) => (button.disabled = true));
    const bar = told.querySelector("progress");
    const words = told.querySelector("span");
    const stop = told.querySelector("[data-stop]");
    if (stop) {
      stop.disabled = false;
      stop.onclick = () => {
        stop.disabled = true;
        fetch(stop.dataset.stop, { method: "POST", body });
      };
    }
    let end = {};
    try {
      const answer = await fetch(form.action, { method: "POST", body, headers: { Accept: "application/x-ndjson" } });
      const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
      for (let rest = "", part = await reader.read(); !part.done; part = await reader.read()) {
        const lines = (rest + part.value).split("\n");
        rest = lines.pop();
        for (const line of lines) end = JSON.parse(line);
        if ("share" in end) bar.value = end.share;
        if (end.text) words.textContent = end.text;
      }
    } catch (error) {
      console.error(error);
    }
    if (end.go) window.location.assign(end.go);
    else {
      form.querySelectorAll("button").forEach((button) => (button.disabled = false));
      const look = form.querySelector("[value=look]");
      if (look) form.requestSubmit(look);
      else words.textContent = end.problem || "That did not work. Load the page again and try once more.";
    }
  };
})();
