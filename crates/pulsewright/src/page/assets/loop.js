// @ts-check
// The loop to play with: what it does follows the controls as one moves them. Without this script the
// form has a button for it.

import { dress } from "./figure.js";

/** How long to wait before asking again while the pulses of a chain are being read, ms. */
const AGAIN = 500;

/** When a question that the form has moved on from is given up, ms. */
const LATE = 600;

/**
 * A slider beside a number: both show the same value.
 * @param {HTMLInputElement} number
 */
function slider(number) {
  const { low, high, step } = number.dataset;
  if (low === undefined || high === undefined || step === undefined) return;
  const range = document.createElement("input");
  range.type = "range";
  // The value that stands there is never moved to the slider's end.
  range.min = String(Math.min(Number(low), number.valueAsNumber || 0));
  range.max = String(Math.max(Number(high), number.valueAsNumber || 0));
  range.step = step;
  range.value = number.value;
  const label = number.labels?.[0]?.textContent ?? number.name;
  range.setAttribute("aria-label", `${label.trim()}, slider`);
  range.addEventListener("input", () => {
    number.value = range.value;
  });
  number.addEventListener("input", () => {
    range.value = number.value;
  });
  number.after(range);
}

/**
 * The form's fields as a query; nothing of empty ones.
 * @param {HTMLFormElement} form
 */
function query(form) {
  const query = new URLSearchParams();
  for (const [name, value] of new FormData(form)) {
    if (typeof value === "string" && value.trim() !== "") query.append(name, value);
  }
  return query.toString();
}

/**
 * Puts the answer in the place of the one before.
 * @param {string} text
 */
function show(text) {
  const parsed = new DOMParser().parseFromString(text, "text/html");
  const fresh = parsed.getElementById("loop-shown");
  const place = document.getElementById("loop-shown");
  if (!fresh || !place) return;
  place.replaceChildren(...fresh.childNodes);
  dress(place);
}

/**
 * Follows the form: one question at most is on its way, and the latest wins. While one drags, each answer
 * is shown before the next question, so that the figures move along; a late one is given up.
 * @param {HTMLFormElement} form
 * @param {HTMLElement} told says the answer's first sentence to those who can't see it change
 */
function follow(form, told) {
  /** @type {AbortController | undefined} The question that is on its way, */
  let asking;
  /** since when, */
  let since = 0;
  /** and whether the form has moved on meanwhile. */
  let moved = false;

  async function ask() {
    if (asking) {
      moved = true;
      if (performance.now() - since > LATE) asking.abort();
      return;
    }
    const own = new AbortController();
    asking = own;
    since = performance.now();
    const wanted = query(form);
    const place = document.getElementById("loop-shown");
    place?.setAttribute("aria-busy", "true");
    try {
      const answer = await fetch(`/correct/loop?${wanted}`, { signal: own.signal });
      const text = await answer.text();
      if (answer.headers.get("content-type")?.startsWith("text/html")) {
        show(text);
        told.textContent = place?.querySelector(".answer")?.textContent ?? "";
      } else {
        told.textContent = text;
      }
      history.replaceState(null, "", `/correct?${wanted}`);
      if (answer.status === 202) setTimeout(ask, AGAIN);
    } catch {
      if (!own.signal.aborted) told.textContent = "The server does not answer. Is it still running?";
    } finally {
      asking = undefined;
      place?.removeAttribute("aria-busy");
      if (moved) {
        moved = false;
        void ask();
      }
    }
  }

  /** Whether a question waits for the next frame. */
  let due = false;
  form.addEventListener("input", () => {
    if (due) return;
    due = true;
    requestAnimationFrame(() => {
      due = false;
      void ask();
    });
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    void ask();
  });
}

const form = document.getElementById("loop-controls");
if (form instanceof HTMLFormElement) {
  for (const number of form.querySelectorAll('input[type="number"]')) {
    if (number instanceof HTMLInputElement) slider(number);
  }
  const told = document.createElement("p");
  told.setAttribute("role", "status");
  told.className = "hint";
  form.append(told);
  follow(form, told);
}
