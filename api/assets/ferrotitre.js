// Everything works without this. It adds: the difference while one types, drafts that outlive a lost network or session,
// scanners that go on to the next field. Entries are sent again under the key of the form, so that nothing is recorded twice.
"use strict";
(() => {
  const RETRY_MS = 3000;
  const LOOK_MS = 4000;
  const comma = document.documentElement.dataset.mark === "comma";
  const banner = document.getElementById("unsaved");
  const place = location.pathname;

  // Digits as typed, so that 23.10 - 0.02 shows 23.08 and not a binary fraction.
  function decimal(text) {
    const found = /^(-?)(\d+)(?:[.,](\d+))?$/.exec(text.trim());
    if (!found) return null;
    const places = (found[3] || "").length;
    return { places, scaled: BigInt(found[1] + found[2] + (found[3] || "")) };
  }

  function difference(form) {
    const output = form.querySelector("#difference");
    if (!output) return;
    let sum = 0n;
    let places = 0;
    let complete = false;
    for (let filling = 0; filling < 2; filling += 1) {
      const first = decimal(form.elements[`initial_readings[${filling}]`].value);
      const last = decimal(form.elements[`final_readings[${filling}]`].value);
      if (!first || !last) continue;
      const most = Math.max(first.places, last.places, places);
      const at = (value) => value.scaled * 10n ** BigInt(most - value.places);
      sum = sum * 10n ** BigInt(most - places) + at(last) - at(first);
      places = most;
      complete = true;
    }
    output.classList.toggle("words", !complete);
    if (!complete) {
      output.textContent = "final less initial";
      return;
    }
    const negative = sum < 0n;
    const digits = String(negative ? -sum : sum).padStart(places + 1, "0");
    const whole = digits.slice(0, digits.length - places);
    const fraction = places ? (comma ? "," : ".") + digits.slice(-places) : "";
    output.textContent = (negative ? "\u2212" : "") + whole + fraction;
  }

  function fields(form) {
    return [...new FormData(form)].filter(([name]) => name !== "_code");
  }

  // What a form follows from is part of the name: entries for one method are not put into the form of another.
  const storageName = (form) => `ferrotitre draft ${form.dataset.who} ${place}${form.dataset.keep}`;

  // Whoever left the time empty means now: the moment of pressing, also when it is sent later.
  function keep(form, pending) {
    const draft = { pairs: fields(form), pending, at: pending ? form.dataset.at : "" };
    try {
      localStorage.setItem(storageName(form), JSON.stringify(draft));
    } catch {
      // A full or forbidden storage: the entry is still in the form.
    }
    return draft;
  }

  function kept(form) {
    try {
      return JSON.parse(localStorage.getItem(storageName(form)));
    } catch {
      return null;
    }
  }

  function forget(form) {
    localStorage.removeItem(storageName(form));
  }

  function restore(form, { pairs, pending, at }) {
    if (pending && at) form.dataset.at = at;
    for (const [name, value] of pairs) {
      const field = form.elements[name];
      // Which titration an entry was meant as holds for one that was sent, not for one that was only begun.
      if (!field || name === "_version" || (name === "_meant" && !pending)) continue;
      if (field instanceof RadioNodeList || field.type === "radio" || field.type === "checkbox") {
        for (const option of form.querySelectorAll(`[name="${CSS.escape(name)}"]`)) {
          if (option.value === value) option.checked = true;
        }
      } else {
        field.value = value;
      }
    }
    const refill = form.querySelector(".refill");
    if (refill && form.elements["initial_readings[1]"].value) refill.open = true;
  }

  function say(words, ...more) {
    banner.replaceChildren(document.createTextNode(words), ...more);
    banner.hidden = false;
  }

  function control(tag, words, set) {
    const element = document.createElement(tag);
    element.textContent = words;
    element.className = "button";
    set(element);
    return element;
  }

  let timer = 0;
  let sending = false;

  async function send(form) {
    if (sending) return;
    sending = true;
    clearTimeout(timer);
    const draft = keep(form, true);
    form.inert = true;
    const body = new URLSearchParams(draft.pairs);
    body.set("_code", form.elements._code.value);
    if (draft.at && !body.get("observed_at")) body.set("observed_at", draft.at);
    try {
      const answer = await fetch(form.action || location.href, { method: "POST", body, credentials: "same-origin" });
      if (answer.status >= 500) throw new Error(String(answer.status));
      const at = new URL(answer.url);
      if (at.pathname === "/sign-in") {
        keep(form, false);
        form.inert = false;
        say("NOT SAVED. You were signed out; what you entered is kept in this browser.", control("a", "Sign in and go on", (link) => {
          link.href = `/sign-in?next=${encodeURIComponent(place)}`;
        }));
      } else if (answer.ok && !answer.redirected) {
        // What is shown once, such as a password, is this answer and no page to go to.
        forget(form);
        await shown(answer);
        scrollTo(0, 0);
      } else if (answer.ok) {
        forget(form);
        banner.hidden = true;
        location.assign(at.pathname + at.search + at.hash);
      } else {
        await refused(form, answer, draft.at);
      }
    } catch {
      say("NOT SAVED. The service cannot be reached. Your entry is kept in this browser and sent when it can be.", control("button", "Try now", (button) => {
        button.type = "button";
        button.addEventListener("click", () => send(form));
      }));
      timer = setTimeout(() => send(form), RETRY_MS);
    } finally {
      sending = false;
    }
  }

  // The same form with more or less room; the service records nothing.
  async function reshape(form, pairs) {
    const body = new URLSearchParams(pairs);
    body.set("_code", form.elements._code.value);
    form.inert = true;
    try {
      const answer = await fetch(location.href, { method: "POST", body, credentials: "same-origin" });
      if (new URL(answer.url).pathname !== place) throw new Error(String(answer.status));
      const before = new Set(fields(form).map(([name]) => name));
      await refused(form, answer);
      const again = document.querySelector("form[data-keep]");
      const fresh = again && [...again.elements].find((field) => field.type !== "hidden" && field.name && !before.has(field.name) && !field.name.startsWith("_"));
      if (fresh) fresh.focus();
    } catch {
      form.inert = false;
      say("The service cannot be reached, or you were signed out. Your entry is kept in this browser.");
    }
  }

  // Readings of instruments that came while the form was open; those accepted in it are no longer offered.
  async function look() {
    const form = document.querySelector("form[data-keep]");
    const waiting = form && form.querySelector("[data-waiting]");
    if (!waiting || document.hidden || form.inert) return;
    // Nobody works while the page looks: the session may run out.
    const answer = await fetch(location.href, { credentials: "same-origin", headers: { "By-Itself": "look" } }).catch(() => null);
    if (!answer || !answer.ok || answer.redirected) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.querySelector("[data-waiting]");
    if (!fresh || !waiting.isConnected) return;
    const accepted = [...form.elements].filter((field) => /^accepted\[\d\]\.reading$/.test(field.name) && field.value).map((field) => field.value);
    for (const line of fresh.querySelectorAll("li")) {
      if ([...line.querySelectorAll("button")].some((button) => accepted.some((id) => button.value.endsWith(id)))) line.remove();
    }
    const ways = (list) => [...list.querySelectorAll("button")].map((button) => button.value).join();
    if (ways(fresh) !== ways(waiting) && !waiting.contains(document.activeElement)) waiting.replaceChildren(...fresh.childNodes);
  }

  // A page that came as an answer, in place of the one that asked.
  async function shown(answer) {
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const main = page.querySelector("main");
    document.querySelector("main").replaceWith(document.adoptNode(main));
    document.title = page.title;
    banner.hidden = true;
  }

  // The page of a refusal has the entries in it, and says beside the fields what is wrong.
  async function refused(form, answer, at) {
    await shown(answer);
    const again = document.querySelector("form[data-keep]");
    if (again) {
      // The moment was ours, not the person's: the entry as mended is of a later one.
      if (at && again.elements.observed_at) again.elements.observed_at.value = "";
      keep(again, false);
      ready(again);
    }
    const trouble = document.getElementById("trouble");
    if (trouble) {
      trouble.scrollIntoView({ block: "start" });
      trouble.focus();
    }
  }

  // Bench time, by the service's clock: an entry that is sent later was still made now. To the second: what was made of something that
  // was recorded in the same minute must not lie before it.
  function stamp(form) {
    const field = form.elements.observed_at;
    form.dataset.at = "";
    if (!field || field.value || !form.dataset.now) return;
    const now = new Date(Date.now() + Number(form.dataset.ahead));
    const two = (number) => String(number).padStart(2, "0");
    form.dataset.at = `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}T${two(now.getHours())}:${two(now.getMinutes())}:${two(now.getSeconds())}`;
  }

  function ready(form) {
    form.dataset.ahead = String(Date.parse(form.dataset.now) - Date.now());
    difference(form);
    const mark = form.querySelector(".pending");
    form.addEventListener("input", () => {
      keep(form, false);
      difference(form);
      if (mark) mark.hidden = false;
    });
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const button = event.submitter;
      if (button && button.name === "_reshape") {
        keep(form, false);
        reshape(form, [...fields(form), [button.name, button.value]]);
        return;
      }
      stamp(form);
      send(form);
    });
    const leave = form.querySelector("[data-leave]");
    if (leave) leave.addEventListener("click", () => forget(form));
    const box = form.querySelector("[data-scanbox]");
    if (box) {
      box.hidden = false;
      box.querySelector("input").addEventListener("change", (event) => choose(form, event.target));
    }
  }

  // The identity in a label's symbol, if its check character fits (ISO/IEC 7064, MOD 37,36).
  function identity(text) {
    if (!/^[0-9a-f]{32}[0-9a-z]$/.test(text)) return "";
    let product = 36;
    for (const letter of text.slice(0, 32)) {
      product = (((product + parseInt(letter, 36)) % 36) || 36) * 2 % 37;
    }
    if ((37 - product) % 36 !== parseInt(text[32], 36)) return "";
    return text.slice(0, 32).replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
  }

  // A scanned label chooses the tile with its code.
  function choose(form, input) {
    const code = input.value.trim().toLowerCase();
    const id = identity(code);
    const tiles = [...form.querySelectorAll(".tile")];
    const found = tiles.find((tile) => tile.querySelector("span").textContent.trim().toLowerCase() === code || tile.querySelector("input").value === id);
    input.setAttribute("aria-invalid", String(Boolean(code) && !found));
    if (!found) return;
    found.querySelector("input").checked = true;
    input.value = "";
    form.dispatchEvent(new Event("input"));
  }

  // Enter goes on to the next field: that is how scanners end, and how readings are typed with one hand.
  document.addEventListener("keydown", (event) => {
    const input = event.target;
    if (event.key !== "Enter" || !(input instanceof HTMLInputElement) || !input.form) return;
    const inBench = input.form.matches("[data-keep]") && input.type !== "password";
    if (!inBench && !input.matches("[data-scan]")) return;
    event.preventDefault();
    input.dispatchEvent(new Event("change", { bubbles: true }));
    const all = [...input.form.elements].filter((field) => field.type !== "hidden" && !field.disabled && field.offsetParent !== null);
    const next = all.slice(all.indexOf(input) + 1).find((field) => field.name !== input.name || field.type !== "radio");
    if (next) next.focus();
  });

  // What is shown this once is asked about before it is left or loaded anew, until its own link says that it was noted.
  let noted = false;
  window.addEventListener("beforeunload", (event) => {
    if (!noted && document.querySelector("main .secret")) event.preventDefault();
  });
  document.addEventListener("click", (event) => {
    if (event.target instanceof Element && event.target.closest("main a.button.main")) noted = true;
  });

  const form = document.querySelector("form[data-keep]");
  if (form) {
    const draft = kept(form);
    // A page that came back with something wrong holds newer entries than the draft.
    const shape = draft && draft.pairs.find(([name]) => name === "_shape");
    if (shape && form.elements._shape && form.elements._shape.value !== shape[1]) {
      // The draft has more rows than a new form: the service draws as many.
      reshape(form, [...draft.pairs, ["_reshape", "same"]]);
    } else if (draft && !document.getElementById("trouble")) {
      restore(form, draft);
      if (!draft.pending) say("Not saved yet: an entry kept in this browser was put back.", control("button", "Throw it away", (button) => {
        button.type = "button";
        button.addEventListener("click", () => {
          forget(form);
          location.reload();
        });
      }));
    }
    ready(form);
    if (draft && draft.pending) send(form);
    if (form.querySelector("[data-waiting]")) setInterval(look, LOOK_MS);
    window.addEventListener("online", () => {
      const waiting = document.querySelector("form[data-keep]");
      if (waiting && waiting.inert) send(waiting);
    });
  }
})();
