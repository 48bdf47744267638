// @ts-check
// A live run, drawn anew several times a second. Without this script the page asks again by itself. The
// button that stops the run needs none of this.

/** From one answer to the next question, ms. */
const PAUSE = 250;
/** How long an answer may take, ms. */
const PATIENCE = 4000;

const place = document.getElementById("live-view");

/**
 * Puts what is new in the place of what was there.
 * @param {HTMLElement} place
 * @param {string} text
 */
function show(place, text) {
  const parsed = new DOMParser().parseFromString(text, "text/html");
  const fresh = parsed.getElementById("live-view");
  if (!fresh) return;
  if (fresh.dataset.phase !== place.dataset.phase) {
    // It has ended: the whole page is another one.
    window.location.reload();
    return;
  }
  place.replaceChildren(...fresh.childNodes);
}

/** @param {HTMLElement} place */
async function watch(place) {
  try {
    const answer = await fetch("/measure/live/view", { signal: AbortSignal.timeout(PATIENCE) });
    if (!answer.ok) throw new Error(answer.statusText);
    show(place, await answer.text());
    place.removeAttribute("aria-busy");
  } catch {
    // The next question may be answered again; meanwhile what stands here is old.
    place.setAttribute("aria-busy", "true");
  }
  setTimeout(() => watch(place), PAUSE);
}

if (place) watch(place);
