// @ts-check
/**
 * Saving a figure, as SVG and as PNG. The buttons come when `figure.js` has given a figure its row of
 * tools, and says so by the event `dressed`.
 * @module
 */

const SVG = "http://www.w3.org/2000/svg";

document.addEventListener("dressed", (event) => offer(event.target));
for (const figure of document.querySelectorAll("figure.figure.dressed")) offer(figure);

/**
 * Gives a figure its two buttons.
 * @param {EventTarget | null} figure
 */
function offer(figure) {
  if (!(figure instanceof HTMLElement)) return;
  const svg = figure.querySelector("svg");
  const row = figure.querySelector(".figure-tools");
  const reading = figure.querySelector(".figure-reading");
  if (!svg || !row || row.querySelector(".save")) return;
  const name = figure.dataset.name ?? "figure";
  /** @type {[string, () => Promise<void> | void][]} */
  const buttons = [
    ["SVG", () => save(standalone(figure, svg), `${name}.svg`)],
    ["PNG", async () => save(await picture(standalone(figure, svg)), `${name}.png`)],
  ];
  for (const [kind, act] of buttons) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "save";
    button.textContent = `Save ${kind}`;
    button.setAttribute("aria-label", `Save ${kind}: ${svg.getAttribute("aria-label")}`);
    button.addEventListener("click", async () => {
      try {
        await act();
      } catch (error) {
        if (reading) reading.textContent = `The figure could not be saved as ${kind} (${error}). Try the other kind.`;
      }
    });
    row.insertBefore(button, reading);
  }
}

/** What of its style each kind of element needs to look the same alone. */
const STYLE = {
  text: ["fill", "font-family", "font-size", "font-weight"],
  stop: ["stop-color", "stop-opacity"],
  shape: ["fill", "fill-opacity", "stroke", "stroke-width", "stroke-opacity", "stroke-dasharray",
    "stroke-linecap", "stroke-linejoin", "opacity", "shape-rendering"],
};

/**
 * The drawing of a figure as a file of its own, in day colours on white.
 * @param {HTMLElement} figure
 * @param {SVGSVGElement} svg
 * @returns {Blob}
 */
function standalone(figure, svg) {
  const copy = /** @type {SVGSVGElement} */ (svg.cloneNode(true));
  const theme = document.documentElement.getAttribute("data-theme");
  document.documentElement.setAttribute("data-theme", "day");
  const nodes = [...copy.querySelectorAll("*")];
  [...svg.querySelectorAll("*")].forEach((node, i) => {
    const kind = node.nodeName === "text" ? STYLE.text : node.nodeName === "stop" ? STYLE.stop
      : /^(path|rect|ellipse|circle)$/.test(node.nodeName) ? STYLE.shape : [];
    const style = getComputedStyle(node);
    for (const name of kind) {
      const value = style.getPropertyValue(name);
      if (!value.startsWith("url(")) nodes[i].setAttribute(name, plain(value));
    }
  });
  if (theme === null) document.documentElement.removeAttribute("data-theme");
  else document.documentElement.setAttribute("data-theme", theme);
  // What the read-out and a drag draw does not belong to the figure.
  for (const extra of copy.querySelectorAll(".ring, .chosen, title")) extra.remove();
  for (const node of [copy, ...nodes]) {
    for (const { name } of [...node.attributes]) {
      if (/^(class|data-.*|aria-.*|tabindex)$/.test(name)) node.removeAttribute(name);
    }
  }
  const { width, height } = svg.viewBox.baseVal;
  copy.setAttribute("width", String(width));
  copy.setAttribute("height", String(height));
  const paper = document.createElementNS(SVG, "rect");
  paper.setAttribute("width", String(width));
  paper.setAttribute("height", String(height));
  paper.setAttribute("fill", "#ffffff");
  const caption = figure.querySelector("figcaption")?.textContent ?? "";
  const desc = copy.querySelector("desc");
  if (desc) desc.textContent = caption;
  const title = document.createElementNS(SVG, "title");
  title.textContent = svg.getAttribute("aria-label");
  copy.prepend(title, paper);
  return new Blob([new XMLSerializer().serializeToString(copy)], { type: "image/svg+xml" });
}

/**
 * A colour as every reader of SVG knows it: mixed ones are worked out.
 * @param {string} value
 */
function plain(value) {
  if (!/^(oklab|oklch|lab|color)\(/.test(value)) return value;
  const pen = document.createElement("canvas").getContext("2d");
  if (!pen) return value;
  pen.fillStyle = value;
  pen.fillRect(0, 0, 1, 1);
  const [r, g, b] = pen.getImageData(0, 0, 1, 1).data;
  return `rgb(${r}, ${g}, ${b})`;
}

/**
 * A drawing as a PNG of twice its size.
 * @param {Blob} drawing
 * @returns {Promise<Blob>}
 */
async function picture(drawing) {
  const address = URL.createObjectURL(drawing);
  try {
    const image = new Image();
    image.src = address;
    await image.decode();
    const canvas = document.createElement("canvas");
    canvas.width = 2 * image.naturalWidth;
    canvas.height = 2 * image.naturalHeight;
    canvas.getContext("2d")?.drawImage(image, 0, 0, canvas.width, canvas.height);
    return await new Promise((resolve, reject) =>
      canvas.toBlob((blob) => (blob ? resolve(blob) : reject(new Error("no picture"))), "image/png"));
  } finally {
    URL.revokeObjectURL(address);
  }
}

/**
 * Hands a file to the browser's downloads.
 * @param {Blob} file
 * @param {string} name
 */
function save(file, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(file);
  link.download = name;
  link.click();
  // The download has begun by then.
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}
