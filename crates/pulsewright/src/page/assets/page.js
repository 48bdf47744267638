// @ts-check
/**
 * Small comforts: every page works without them.
 */

/** A choice of the run shows it at once; the button that does so without script goes. */
for (const form of document.querySelectorAll("form[data-at-once]")) {
  if (!(form instanceof HTMLFormElement)) continue;
  form.addEventListener("change", (event) => {
    if (event.target instanceof HTMLSelectElement) form.requestSubmit();
  });
}

/** How long a form that was sent is not sent again, ms: an answer that never comes must not lock it. */
const ONCE_WITHIN = 3000;

/** Lets forms be sent again. @param {Iterable<HTMLFormElement>} forms */
function free(forms) {
  for (const form of forms) {
    form.removeAttribute("data-sent");
    for (const button of form.querySelectorAll("[aria-busy]")) button.removeAttribute("aria-busy");
  }
}

/** A form that is on its way says so, and is not sent twice. */
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!(form instanceof HTMLFormElement) || event.defaultPrevented) return;
  if (form.method !== "post" || !(event.submitter instanceof HTMLButtonElement)) return;
  if (form.dataset.sent !== undefined) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "";
  event.submitter.setAttribute("aria-busy", "true");
  setTimeout(() => free([form]), ONCE_WITHIN);
});

/** Coming back by the browser's history finds forms that can be sent again. */
window.addEventListener("pageshow", () => free(document.forms));
