"use strict";
// Readings and weights typed at the kiln door stay on the phone until the server has them. Each carries its form's entry number,
// so that one sent twice counts once. What is being typed is in localStorage, what waits to be sent in IndexedDB.
(() => {
  const panel = document.querySelector("[data-waiting]");
  if (!panel) return;
  const form = document.querySelector("[data-keep]");
  const { check, signIn, person, name } = panel.dataset;
  const HALF_DAY = 12 * 3600 * 1000;
  const AGAIN = 20000;
  const WORDS = "kilnshop-sent";
  let trouble = navigator.onLine ? "" : "offline";
  let signedInAs = name;

  // The store

  const opened = new Promise((done, failed) => {
    const asked = indexedDB.open("kilnshop", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore("waiting", { keyPath: "entry" });
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });
  let usable = false;
  opened.then(() => (usable = true), () => {});
  const store = async (mode, act) => {
    const work = (await opened).transaction("waiting", mode);
    const request = act(work.objectStore("waiting"));
    return new Promise((done, failed) => {
      work.oncomplete = () => done(request.result);
      work.onabort = () => failed(work.error);
    });
  };
  const put = (item) => store("readwrite", (rows) => rows.put(item));
  const remove = (entry) => store("readwrite", (rows) => rows.delete(entry));
  const one = (entry) => store("readonly", (rows) => rows.get(entry));
  const all = async () => (await store("readonly", (rows) => rows.getAll())).sort((a, b) => a.at - b.at);

  // What the page shows

  const make = (tag, text, more = {}) => Object.assign(document.createElement(tag), { textContent: text }, more);
  const when = (moment) => {
    const date = new Date(moment);
    const day = date.toLocaleDateString("en-GB", { weekday: "short", day: "numeric", month: "short" });
    return `${day.replace(",", "")} ${date.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" })}`;
  };
  const megabytes = (bytes) => `${(bytes / 1048576).toFixed(1)} MB`;
  const NAMES = { reading: ["reading", "readings"], weights: ["round of weights", "rounds of weights"] };
  const nameOf = (item) => NAMES[item.what ?? "reading"];
  const counted = (items) =>
    Object.keys(NAMES)
      .map((what) => [items.filter((item) => (item.what ?? "reading") === what).length, NAMES[what]])
      .filter(([count]) => count)
      .map(([count, [single, several]]) => `${count} ${count === 1 ? single : several}`)
      .join(" and ");
  const STATES = {
    "": () => "Being sent.",
    offline: () => "No connection. What you save is kept on this phone and sent once, by itself, when the connection is back.",
    signed_out: () => "You are signed out. Sign in and it is sent; until then it stays on this phone.",
    somebody_else: (item) => `Typed by ${item.name}, but you are signed in as ${signedInAs}. It stays here until ${item.name} signs in on this phone.`,
    server: () => "The server could not take it just now. It is tried again by itself.",
  };

  const row = (item) => {
    const line = make("li", "");
    line.append(make("strong", `${item.charge}, ${when(item.moment ?? item.values.taken_at)}`), make("span", `: ${item.words.join(", ") || "no figure"}`));
    if (item.photo) line.append(make("span", `, photo of ${megabytes(item.photo.bytes.byteLength)}`));
    if (!item.problems) return line;
    line.className = "wrong";
    for (const problem of item.problems) line.append(make("p", `Not taken. ${problem.label ? `${problem.label}: ` : ""}${problem.text}`));
    const away = make("button", "Throw away", { type: "button", className: "quiet" });
    away.addEventListener("click", async () => {
      if (!confirm(`Throw away the ${nameOf(item)[0]} of ${when(item.moment ?? item.values.taken_at)}? It was not saved and is lost.`)) return;
      await remove(item.entry);
      if (form?.elements.entry.value === item.entry) fresh();
      show();
    });
    const buttons = make("p", "", { className: "form-end" });
    buttons.append(make("a", "Correct it", { href: `${item.address}#correct-${item.entry}`, className: "button" }), away);
    line.append(buttons);
    return line;
  };

  const show = async () => {
    const items = usable ? await all() : [];
    const waiting = items.filter((item) => !item.problems);
    const refused = items.filter((item) => item.problems);
    const parts = [];
    if (waiting.length) {
      parts.push(make("h2", `${counted(waiting)} waiting on this phone since ${when(waiting[0].at)}`));
    }
    if (waiting.length || (form && trouble === "offline")) parts.push(make("p", STATES[trouble](waiting[0] ?? {})));
    if (waiting.length && trouble === "signed_out") {
      parts.push(make("a", "Sign in", { className: "button", href: `${signIn}?next=${encodeURIComponent(location.pathname)}` }));
    }
    const list = (rows) => {
      const made = make("ul", "");
      made.append(...rows.map(row));
      return made;
    };
    if (waiting.length) parts.push(list(waiting));
    if (refused.length) parts.push(make("h2", `${counted(refused)} not taken, kept on this phone`), list(refused));
    panel.replaceChildren(...parts);
    panel.hidden = !parts.length;
  };

  const tell = (texts) => {
    const told = make("div", "");
    told.setAttribute("role", "status");
    const list = make("ul", "", { className: "told" });
    list.append(...texts.map((text) => make("li", text, { className: "success" })));
    told.append(list);
    panel.before(told);
  };

  // Sending

  class Trouble extends Error {}
  const ask = async (address, options) => {
    let answer;
    try {
      answer = await fetch(address, { cache: "no-store", signal: AbortSignal.timeout(60000), ...options });
    } catch {
      throw new Trouble("offline");
    }
    if (answer.redirected && new URL(answer.url).pathname === signIn) throw new Trouble("signed_out");
    if (answer.status === 429 || answer.status >= 500) throw new Trouble("server");
    return answer;
  };

  const sendOne = async (item, token) => {
    const body = new FormData();
    for (const [key, value] of Object.entries(item.values)) body.append(key, value);
    if (item.photo) body.append("photo", new File([item.photo.bytes], item.photo.name, { type: item.photo.type }));
    const answer = await ask(item.address, { method: "POST", body, headers: { Accept: "application/json", "X-CSRFToken": token } });
    const told = await answer.json().catch(() => ({}));
    if (answer.ok && !told.saved) throw new Trouble("server");
    if (answer.ok) {
      await remove(item.entry);
      return told.saved;
    }
    item.problems = told.problems ?? [{ name: "", label: "", text: `The server refused it (${answer.status}). Open the charge and see whether it still takes readings.` }];
    await put(item);
    return "";
  };

  let sending = null;
  const send = () => (sending ??= sendAll().finally(() => (sending = null)));
  const sendAll = async () => {
    const saved = [];
    let here = false;
    try {
      const waiting = (await all()).filter((item) => !item.problems);
      if (waiting.length || trouble) {
        const seen = await (await ask(check, { headers: { Accept: "application/json" } })).json();
        trouble = "";
        signedInAs = seen.name;
        for (const item of waiting) {
          if (item.person !== seen.person) {
            trouble = "somebody_else";
            continue;
          }
          const words = await sendOne(item, seen.token);
          if (words) saved.push(words);
          here ||= words && form && item.address === form.action;
        }
      }
    } catch (error) {
      trouble = error instanceof Trouble ? error.message : "server";
    }
    if (saved.length && here && !typed()) {
      sessionStorage.setItem(WORDS, JSON.stringify(saved));
      location.reload();
      return;
    }
    if (saved.length) tell(saved);
    await show();
  };

  const later = () => send().catch(() => {});
  window.addEventListener("online", later);
  window.addEventListener("offline", () => {
    trouble = "offline";
    show();
  });
  document.addEventListener("visibilitychange", () => document.hidden || later());
  setInterval(() => trouble && !document.hidden && later(), AGAIN);

  // The form

  const fields = () => [...form.elements].filter((e) => e.name && !["file", "submit"].includes(e.type) && e.name !== "csrfmiddlewaretoken");
  const time = form?.dataset.time;
  const own = () => fields().filter((e) => e.type !== "hidden" && e.tagName !== "SELECT" && e.name !== time);
  const photos = () => form.elements.photo?.files ?? [];
  const typed = () => own().some((e) => e.value.trim()) || Boolean(photos().length);
  const place = form?.dataset.keep;
  const typedIn = () => form.elements.typed_in?.value;

  const newEntry = () => {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    bytes[6] = (bytes[6] & 0x0f) | 0x40;
    bytes[8] = (bytes[8] & 0x3f) | 0x80;
    return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  };
  const shopNow = () => {
    const options = { timeZone: form.dataset.zone, dateStyle: "short", timeStyle: "short" };
    return new Date().toLocaleString("sv-SE", options).replace(" ", "T");
  };
  const noErrors = () => {
    form.querySelectorAll("[data-error-summary], .errorlist").forEach((found) => found.remove());
    form.querySelectorAll(".wrong").forEach((field) => field.classList.remove("wrong"));
    form.querySelectorAll("[aria-invalid]").forEach((field) => field.removeAttribute("aria-invalid"));
  };
  // A page kept on the phone carries an old time and an entry number that may be used: both are made anew.
  const fresh = () => {
    localStorage.removeItem(place);
    noErrors();
    form.reset();
    form.elements.entry.value = newEntry();
    form.elements[time].value = shopNow();
  };
  const fill = (values) =>
    fields().forEach((field) => field.name !== "typed_in" && field.name in values && (field.value = values[field.name]));

  const showProblems = (problems) => {
    noErrors();
    const summary = make("div", "", { className: "error-summary", tabIndex: -1 });
    summary.setAttribute("role", "alert");
    summary.dataset.errorSummary = "";
    const list = make("ul", "");
    for (const { name: key, label, text } of problems) {
      const field = key && form.elements[key];
      const line = make("li", "");
      if (field) {
        line.append(make("a", label, { href: `#${field.id}` }), `: ${text}`);
        field.setAttribute("aria-invalid", "true");
        const box = field.closest(".field");
        box?.classList.add("wrong");
        const told = make("ul", "", { className: "errorlist" });
        told.append(make("li", text));
        field.closest(".entry")?.before(told);
      } else line.textContent = text;
      list.append(line);
    }
    const count = problems.length;
    summary.append(make("h2", `Not saved: ${count} thing${count === 1 ? "" : "s"} to put right`), list);
    form.prepend(summary);
    summary.focus();
  };

  const correct = async (entry) => {
    const item = await one(entry);
    if (!item) return;
    const other = typed() && form.elements.entry.value !== entry;
    if (other && !confirm("The form holds something that is not saved yet. Replace it?")) return;
    fresh();
    fill(item.values);
    showProblems(item.problems ?? []);
  };
  const correctNamed = () => {
    const entry = location.hash.match(/^#correct-([-\w]+)$/)?.[1];
    if (!entry || !form) return;
    history.replaceState(null, "", location.pathname);
    correct(entry);
  };

  const photoOf = async (entry) => {
    const file = photos()[0];
    if (file) return { name: file.name, type: file.type, bytes: await file.arrayBuffer() };
    const before = await one(entry);
    return before?.problems?.some((problem) => problem.name === "photo") ? null : (before?.photo ?? null);
  };
  const inWords = () =>
    own().filter((e) => e.value.trim()).map((e) => {
      const label = form.querySelector(`label[for="${e.id}"]`)?.textContent ?? e.name;
      const unit = e.closest(".entry")?.querySelector(".unit")?.textContent ?? form.elements.unit?.value ?? "";
      return `${label} ${e.value.trim()} ${unit}`.trim();
    });

  const keep = async () => {
    const file = photos()[0];
    if (file && file.size > form.dataset.limitMb * 1048576) {
      showProblems([{ name: "photo", label: "Photo", text: `“${file.name}” is ${megabytes(file.size)}; photos up to ${form.dataset.limitMb} MB are taken.` }]);
      return;
    }
    const entry = form.elements.entry.value;
    const photo = await photoOf(entry);
    if (!own().some((e) => e.value.trim()) && !photo) {
      showProblems([{ name: "", label: "", text: form.dataset.empty }]);
      return;
    }
    const item = {
      entry, address: form.action, charge: form.dataset.charge, person, name, at: Date.now(), photo, words: inWords(),
      what: form.dataset.what, moment: form.elements[time].value,
      values: Object.fromEntries(fields().map((e) => [e.name, e.value])),
    };
    try {
      await put(item);
    } catch {
      if (!photo) throw new Error("no room");
      await put({ ...item, photo: null });
      tell(["The phone has no room for the photo: the figures are kept without it."]);
    }
    fresh();
    await show();
    await send();
    const refused = await one(entry);
    if (refused?.problems && !typed()) await correct(entry);
  };

  if (form) {
    form.addEventListener("input", () => {
      const values = Object.fromEntries(fields().map((e) => [e.name, e.value]));
      localStorage.setItem(place, JSON.stringify({ at: Date.now(), values }));
    });
    form.addEventListener("submit", (event) => {
      if (!usable) return; // a browser that keeps nothing sends the form itself
      event.preventDefault();
      const button = form.querySelector("button.primary");
      button.disabled = true;
      keep().catch(() => form.submit()).finally(() => (button.disabled = false));
    });
    form.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" || !event.target.enterKeyHint) return;
      event.preventDefault();
      const walk = [...form.querySelectorAll("[enterkeyhint]"), form.querySelector("button.primary")];
      const next = walk[walk.indexOf(event.target) + 1];
      next.focus();
      next.select?.();
    });
    if (!form.querySelector("[data-error-summary]")) {
      const draft = JSON.parse(localStorage.getItem(place) || "null");
      fresh();
      if (draft && Date.now() - draft.at < HALF_DAY && draft.values.typed_in === typedIn()) {
        fill(draft.values);
        localStorage.setItem(place, JSON.stringify(draft));
      }
    }
    window.addEventListener("hashchange", correctNamed);
    navigator.serviceWorker?.register(form.dataset.worker).then(() => navigator.serviceWorker.ready).then(async () => {
      const cache = await caches.open("kilnshop-door");
      const needed = performance.getEntriesByType("resource").map((entry) => entry.name);
      const files = needed.filter((address) => address.startsWith(`${location.origin}/static/`));
      for (const address of [location.origin + location.pathname, ...new Set(files)]) {
        if (!(await cache.match(address, { ignoreVary: true }))) await cache.add(address);
      }
      form.dataset.keptHere = "yes";
    }).catch(() => {}); // without it the open page still keeps what is typed
  }

  opened.then(() => {
    const words = JSON.parse(sessionStorage.getItem(WORDS) || "null");
    sessionStorage.removeItem(WORDS);
    if (words) tell(words);
    show();
    correctNamed();
    later();
  }, () => {});
})();
