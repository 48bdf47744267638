// @ts-check
/**
 * What a figure can do beyond being seen: say its numbers, and zoom. Saving is `save.js`'s.
 *
 * A drawing carries its axes in `data-axes` of each panel, and its points in its own paths: there,
 * upper-case commands are data and lower-case ones shape, so that points can be read from paths, and
 * paths be zoomed without stretching what marks a point.
 * @module
 */

/**
 * @typedef {{label: string, unit: string, kind: "linear" | "log" | "names", ends: number[], at: number[],
 *   room: number, names: string[] | null, view: number[]}} Axis `ends` are values (exponents of ten when
 *   logarithmic), `at` where they lie, `view` the part of `at` that is in view.
 * @typedef {{x: number, y: number, text: string | null}} Point In user units of the drawing, whole.
 * @typedef {{name: string, along: string | null, points: Point[]}} Series
 * @typedef {{group: SVGGElement, x: Axis, y: Axis, series: Series[], still: Still}} Panel
 * @typedef {{shapes: {node: Element, values: Record<string, string>}[], grids: (string | null)[],
 *   ticks: Node[][]}} Still The drawing as it came.
 * @typedef {{panel: Panel, series: Series, point: Point}} Hit
 */

const SVG = "http://www.w3.org/2000/svg";
const DATA = /([MLHV])(-?[\d.]+)(?:,(-?[\d.]+))?/g;
/** How much the closest view enlarges; beyond it, the rounding of the drawing would show. */
const CLOSEST = 60;
/** How far from a point the pointer may be to mean it, in user units. */
const REACH = 45;

/**
 * Gives all figures under `root` their read-out, zoom and buttons. What has them already is left alone.
 * @param {ParentNode} root
 */
export function dress(root) {
  for (const figure of root.querySelectorAll("figure.figure:not(.dressed)")) {
    const plot = figure.querySelector(".plot");
    const svg = plot?.querySelector("svg");
    if (plot instanceof HTMLElement && svg) {
      figure.classList.add("dressed");
      new Dressed(plot, svg);
      figure.dispatchEvent(new CustomEvent("dressed", { bubbles: true }));
    }
  }
}

/** A figure with what it can do. */
class Dressed {
  /**
   * @param {HTMLElement} plot
   * @param {SVGSVGElement} svg
   */
  constructor(plot, svg) {
    this.svg = svg;
    this.title = svg.querySelector("title")?.textContent ?? "";
    this.panels = [...svg.querySelectorAll("g.panel")].map((g) => panelOf(/** @type {SVGGElement} */ (g)));
    /** @type {Hit | null} */
    this.hit = null;
    /** @type {{panel: Panel, from: DOMPoint, moving: boolean} | null} */
    this.drag = null;
    // As an element, the title would cover the figure as a tool tip.
    svg.removeAttribute("aria-labelledby");
    svg.setAttribute("aria-label", this.title);
    svg.querySelector("title")?.remove();
    this.ring = svg.appendChild(made("circle", { class: "ring", r: 8, visibility: "hidden" }));
    this.box = svg.appendChild(made("rect", { class: "chosen", visibility: "hidden" }));
    this.reading = this.tools(plot);
    plot.tabIndex = 0;
    plot.setAttribute("role", "group");
    plot.setAttribute("aria-label", `${this.title}. Arrow keys read the points; plus, minus and 0 zoom.`);
    plot.addEventListener("keydown", (event) => this.key(event));
    this.followPointer();
  }

  /**
   * The row of buttons and the line that is read out.
   * @param {HTMLElement} plot
   */
  tools(plot) {
    const row = document.createElement("div");
    row.className = "figure-tools";
    /** @type {[string, string, () => void][]} */
    const buttons = [
      ["+", "Zoom in", () => this.zoom(0.5)],
      ["−", "Zoom out", () => this.zoom(2)],
      ["Whole", "Show the whole figure", () => this.whole()],
    ];
    for (const [text, label, act] of buttons) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = text;
      button.title = label;
      button.setAttribute("aria-label", `${label}: ${this.title}`);
      button.addEventListener("click", act);
      row.append(button);
    }
    const reading = document.createElement("p");
    reading.className = "figure-reading";
    reading.setAttribute("role", "status");
    row.append(reading);
    plot.after(row);
    return reading;
  }

  followPointer() {
    const svg = this.svg;
    svg.addEventListener("pointermove", (event) => {
      const at = this.place(event);
      if (this.drag) this.dragged(at);
      else this.show(this.nearest(at));
    });
    svg.addEventListener("pointerleave", () => !this.drag && this.show(null));
    svg.addEventListener("pointerdown", (event) => {
      const at = this.place(event);
      const panel = this.panels.find((p) => inside(p, at));
      if (event.pointerType === "touch") this.show(this.nearest(at));
      else if (panel && event.button === 0) {
        this.drag = { panel, from: at, moving: event.shiftKey };
        svg.setPointerCapture(event.pointerId);
      }
    });
    svg.addEventListener("pointerup", (event) => this.drop(this.place(event)));
    svg.addEventListener("pointercancel", () => this.drop(null));
    svg.addEventListener("dblclick", () => this.whole());
    // A plain wheel scrolls the page; with Ctrl, as touch pads send it for a pinch, it zooms.
    svg.addEventListener("wheel", (event) => {
      if (!event.ctrlKey) return;
      event.preventDefault();
      this.zoom(Math.exp(event.deltaY * 0.005), this.place(event));
    }, { passive: false });
  }

  /**
   * Where an event lies, in user units.
   * @param {MouseEvent} event
   */
  place(event) {
    const matrix = this.svg.getScreenCTM();
    const at = new DOMPoint(event.clientX, event.clientY);
    return matrix ? at.matrixTransform(matrix.inverse()) : at;
  }

  /** @param {DOMPoint} at */
  dragged(at) {
    if (!this.drag) return;
    const { panel, from, moving } = this.drag;
    if (moving) {
      for (const axis of [panel.x, panel.y]) {
        const along = axis === panel.x ? at.x - from.x : at.y - from.y;
        const scale = (axis.view[1] - axis.view[0]) / (axis.at[1] - axis.at[0]);
        look(axis, axis.view.map((v) => v - along * scale));
      }
      this.drag.from = at;
      this.redraw(panel);
      return;
    }
    const [x, y] = chosen(panel, from, at);
    set(this.box, { x: x[0], y: y[0], width: x[1] - x[0], height: y[1] - y[0], visibility: "visible" });
  }

  /**
   * Ends a drag, and zooms into what it chose.
   * @param {DOMPoint | null} at
   */
  drop(at) {
    const drag = this.drag;
    this.drag = null;
    set(this.box, { visibility: "hidden" });
    if (!drag || !at || drag.moving || Math.hypot(at.x - drag.from.x, at.y - drag.from.y) < 8) return;
    const { panel } = drag;
    // A star that is stretched one way would lie about its shape.
    if (panel.group.classList.contains("night-sky")) return;
    const [x, y] = chosen(panel, drag.from, at);
    look(panel.x, x.map((v) => whence(panel.x, v)));
    look(panel.y, [whence(panel.y, y[1]), whence(panel.y, y[0])]);
    this.redraw(panel);
  }

  /**
   * Zooms by a factor (below 1: closer), around a place or what was read last.
   * @param {number} factor
   * @param {DOMPoint} [at]
   */
  zoom(factor, at) {
    const panels = at ? this.panels.filter((p) => inside(p, at)) : this.hit ? [this.hit.panel] : this.panels;
    for (const panel of panels) {
      for (const axis of [panel.x, panel.y]) {
        const given = at && whence(axis, axis === panel.x ? at.x : at.y);
        const read = this.hit && (axis === panel.x ? this.hit.point.x : this.hit.point.y);
        const centre = given ?? read ?? (axis.view[0] + axis.view[1]) / 2;
        look(axis, axis.view.map((v) => centre + (v - centre) * factor));
      }
      this.redraw(panel);
    }
  }

  whole() {
    for (const panel of this.panels) {
      panel.x.view = [...panel.x.at];
      panel.y.view = [...panel.y.at];
      redraw(panel);
    }
    this.show(this.hit);
  }

  /**
   * Draws a panel as it is looked at now, and those that show the same stretch to the right.
   * @param {Panel} panel
   */
  redraw(panel) {
    for (const other of this.panels) {
      const same = other.x.label === panel.x.label && String(other.x.ends) === String(panel.x.ends);
      if (same) other.x.view = [...panel.x.view];
      if (same || other === panel) redraw(other);
    }
    this.show(this.hit);
  }

  /**
   * The point nearest to a place.
   * @param {DOMPoint} at
   * @returns {Hit | null}
   */
  nearest(at) {
    /** @type {Hit | null} */
    let best = null;
    let least = REACH * REACH;
    for (const panel of this.panels.filter((p) => inside(p, at))) {
      for (const series of panel.series) {
        for (const point of series.points) {
          const distance = (shown(panel.x, point.x) - at.x) ** 2 + (shown(panel.y, point.y) - at.y) ** 2;
          if (distance < least) {
            least = distance;
            best = { panel, series, point };
          }
        }
      }
    }
    return best;
  }

  /**
   * Marks a point and says what it is.
   * @param {Hit | null} hit
   */
  show(hit) {
    this.hit = hit;
    if (!hit) {
      set(this.ring, { visibility: "hidden" });
      return;
    }
    const { panel, point } = hit;
    const at = new DOMPoint(shown(panel.x, point.x), shown(panel.y, point.y));
    set(this.ring, { cx: at.x, cy: at.y, visibility: inside(panel, at) ? "visible" : "hidden" });
    const text = said(hit);
    if (this.reading.textContent !== text) this.reading.textContent = text;
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const keys = /** @type {Record<string, () => void>} */ ({
      "+": () => this.zoom(0.5),
      "=": () => this.zoom(0.5),
      "-": () => this.zoom(2),
      0: () => this.whole(),
      Escape: () => this.show(null),
      ArrowRight: () => this.step(1),
      ArrowLeft: () => this.step(-1),
      ArrowDown: () => this.change(1),
      ArrowUp: () => this.change(-1),
      Home: () => this.step(-Infinity),
      End: () => this.step(Infinity),
    });
    const act = keys[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  }

  /**
   * On to another point of the same series.
   * @param {number} by
   */
  step(by) {
    if (!this.hit) return this.change(1);
    const points = this.hit.series.points;
    const next = Math.min(Math.max(points.indexOf(this.hit.point) + by, 0), points.length - 1);
    this.show({ ...this.hit, point: points[next] });
  }

  /**
   * On to another series, at the place nearest to the present one.
   * @param {number} by
   */
  change(by) {
    const all = this.panels.flatMap((panel) =>
      panel.series.filter((s) => s.points.length > 0).map((series) => ({ panel, series })));
    if (all.length === 0) return;
    const now = all.findIndex((one) => one.series === this.hit?.series);
    const next = all[now < 0 ? 0 : (now + by + all.length) % all.length];
    const x = this.hit?.point.x ?? -Infinity;
    const point = next.series.points.reduce((a, b) => (Math.abs(b.x - x) < Math.abs(a.x - x) ? b : a));
    this.show({ ...next, point });
  }
}

/**
 * A panel with its axes and points.
 * @param {SVGGElement} group
 * @returns {Panel}
 */
function panelOf(group) {
  const axes = JSON.parse(group.dataset.axes ?? "{}");
  for (const axis of [axes.x, axes.y]) axis.view = [...axis.at];
  const series = [...group.querySelectorAll("g.series")].map((g) => seriesOf(/** @type {SVGGElement} */ (g)));
  const shapes = [...group.querySelectorAll(".marks path, .marks ellipse, .star-name")].map((node) => {
    const names = ["d", "cx", "cy", "rx", "ry", "x"].filter((n) => node.hasAttribute(n));
    return { node, values: Object.fromEntries(names.map((n) => [n, node.getAttribute(n) ?? ""])) };
  });
  const grids = ["x", "y"].map((n) => group.querySelector(`.grid.${n}`)?.getAttribute("d") ?? null);
  const ticks = ["x", "y"].map((n) => [...(group.querySelector(`.ticks.${n}`)?.childNodes ?? [])]);
  return { group, ...axes, series, still: { shapes, grids, ticks } };
}

/**
 * A series with its points from left to right.
 * @param {SVGGElement} group
 * @returns {Series}
 */
function seriesOf(group) {
  const { name = "", mark, read, along = null } = group.dataset;
  /** @type {Point[]} */
  let points = [];
  if (read !== undefined) {
    const [label, unit, items] = mark === "cells" ? read.split("|") : ["", "", read];
    points = items.split(";").filter(Boolean).map((item) => {
      const [x, y, ...text] = item.split(" ");
      return { x: Number(x), y: Number(y), text: `${label} ${text.join(" ")} ${unit}`.trim() };
    });
  } else if (mark !== "rule") {
    for (const path of group.querySelectorAll("path:not(.casing):not(.halo)")) {
      let at = { x: 0, y: 0 };
      for (const [, command, a, b] of (path.getAttribute("d") ?? "").matchAll(DATA)) {
        const [x, y] = command === "V" ? [at.x, a] : command === "H" ? [a, at.y] : [a, b];
        at = { x: Number(x), y: Number(y) };
        // A step goes sideways first: only its end is a point.
        if (command !== "H") points.push({ ...at, text: null });
      }
    }
  }
  points.sort((a, b) => a.x - b.x || a.y - b.y);
  return { name, along, points };
}

/**
 * What a point says.
 * @param {Hit} hit
 */
function said({ panel, series, point }) {
  /** @param {"x" | "y"} n */
  const one = (n) => {
    const axis = panel[n];
    return `${axis.label} ${written(axis, point[n])} ${axis.unit}`.trim();
  };
  const parts = [];
  if (point.text === null || series.along === "y" || series.along === "both") parts.push(one("x"));
  if (point.text === null || series.along === "x" || series.along === "both") parts.push(one("y"));
  if (point.text !== null) parts.push(point.text);
  return `${series.name}: ${parts.join(", ")}`;
}

/**
 * The value at a place of an axis, in the digits that a drawing can carry.
 * @param {Axis} axis
 * @param {number} at
 */
function written(axis, at) {
  const value = valueAt(axis, at);
  if (axis.kind === "names") return axis.names?.[Math.round(value)] ?? "";
  if (axis.kind === "log") return String(Number((10 ** value).toPrecision(3)));
  // Places are kept to a tenth of a user unit: the digits of a whole one are sure.
  return decimal(value, Math.abs((axis.ends[1] - axis.ends[0]) / (axis.at[1] - axis.at[0])));
}

/**
 * @param {number} value
 * @param {number} step
 */
function decimal(value, step) {
  if (value !== 0 && !(Math.abs(value) >= 1e-4 && Math.abs(value) < 1e6)) return String(Number(value.toPrecision(4)));
  const text = value.toFixed(Math.min(Math.max(Math.ceil(-Math.log10(step) - 1e-9), 0), 9));
  return Number(text) === 0 ? "0" : text;
}

/** @param {Axis} axis @param {number} at */
function valueAt(axis, at) {
  return axis.ends[0] + ((at - axis.at[0]) / (axis.at[1] - axis.at[0])) * (axis.ends[1] - axis.ends[0]);
}

/** Where a place of the whole drawing is shown now. @param {Axis} axis @param {number} at */
function shown(axis, at) {
  return axis.at[0] + ((at - axis.view[0]) / (axis.view[1] - axis.view[0])) * (axis.at[1] - axis.at[0]);
}

/** The other way round. @param {Axis} axis @param {number} at */
function whence(axis, at) {
  return axis.view[0] + ((at - axis.at[0]) / (axis.at[1] - axis.at[0])) * (axis.view[1] - axis.view[0]);
}

/**
 * Looks at a part of an axis, within what there is. Names are always all in view.
 * @param {Axis} axis
 * @param {number[]} view
 */
function look(axis, view) {
  if (axis.kind === "names") return;
  const [low, high] = [...axis.at].sort((a, b) => a - b);
  const [from, to] = [...view].sort((a, b) => a - b);
  const length = Math.min(Math.max(to - from, (high - low) / CLOSEST), high - low);
  const start = Math.min(Math.max((from + to - length) / 2, low), high - length);
  axis.view = axis.at[0] < axis.at[1] ? [start, start + length] : [start + length, start];
}

/** @param {Panel} panel @param {DOMPoint} at */
function inside({ x, y }, at) {
  return at.x >= x.at[0] - 1 && at.x <= x.at[1] + 1 && at.y >= y.at[1] - 1 && at.y <= y.at[0] + 1;
}

/**
 * The part of a panel that a drag chooses: both ways, or the whole of an axis along which it hardly went.
 * @param {Panel} panel
 * @param {DOMPoint} from
 * @param {DOMPoint} to
 */
function chosen({ x, y }, from, to) {
  /** @param {number} a @param {number} b @param {number} low @param {number} high */
  const along = (a, b, low, high) =>
    Math.abs(a - b) < 12 ? [low, high] : [a, b].sort((p, q) => p - q).map((v) => Math.min(Math.max(v, low), high));
  return [along(from.x, to.x, x.at[0], x.at[1]), along(from.y, to.y, y.at[1], y.at[0])];
}

/**
 * Draws a panel as it is looked at now.
 * @param {Panel} panel
 */
function redraw({ group, x, y, still }) {
  const round = (/** @type {number} */ v) => Math.round(Math.min(Math.max(v, -1e5), 1e5) * 10) / 10;
  const across = (/** @type {string} */ v) => round(shown(x, Number(v)));
  const up = (/** @type {string} */ v) => round(shown(y, Number(v)));
  const stretch = (/** @type {Axis} */ axis) => (axis.at[1] - axis.at[0]) / (axis.view[1] - axis.view[0]);
  for (const { node, values } of still.shapes) {
    for (const [name, value] of Object.entries(values)) {
      let now = "";
      if (name === "d") {
        now = value.replace(DATA, (_, command, a, b) =>
          command === "V" ? `V${up(a)}` : command === "H" ? `H${across(a)}` : `${command}${across(a)},${up(b)}`);
      } else if (name === "rx") now = String(round(Number(value) * stretch(x)));
      else if (name === "ry") now = String(round(Number(value) * stretch(y)));
      else now = String(name === "cy" ? up(value) : across(value));
      node.setAttribute(name, now);
    }
  }
  [x, y].forEach((axis, i) => {
    const name = i === 0 ? "x" : "y";
    const [grid, ticks] = [`.grid.${name}`, `.ticks.${name}`].map((s) => group.querySelector(s));
    const other = i === 0 ? y : x;
    if (axis.kind === "names") return;
    if (String(axis.view) === String(axis.at)) {
      ticks?.replaceChildren(...still.ticks[i]);
      grid?.setAttribute("d", still.grids[i] ?? "");
      return;
    }
    const found = ticksOf(axis);
    const line = (/** @type {number} */ at) =>
      i === 0 ? `M${at},${other.at[0]}V${other.at[1]}` : `M${other.at[0]},${at}H${other.at[1]}`;
    grid?.setAttribute("d", found.map((t) => line(round(t.at))).join(""));
    // A panel whose ticks stand below another one has none of its own.
    if (still.ticks[i].length === 0) return;
    ticks?.replaceChildren(...found.map(({ at, label }) => {
      const where = i === 0
        ? { x: round(at), y: other.at[0] + 21.3, "text-anchor": "middle" }
        : { x: other.at[0] - 8, y: round(at) + 5, "text-anchor": "end" };
      const text = made("text", where);
      text.textContent = label;
      return text;
    }));
  });
}

/**
 * Ticks at round values over what is in view.
 * @param {Axis} axis
 * @returns {{at: number, label: string}[]}
 */
function ticksOf(axis) {
  const most = Math.max(3, Math.floor(Math.abs(axis.at[1] - axis.at[0]) / axis.room));
  const log = axis.kind === "log";
  const ends = axis.view.map((v) => valueAt(axis, v)).sort((a, b) => a - b);
  const [low, high] = log ? ends.map((e) => 10 ** e) : ends;
  /** @type {number[]} */
  let values = [];
  let step = 0;
  if (log && ends[1] - ends[0] > 1.2) {
    for (let e = Math.floor(ends[0]); e <= ends[1]; e++) {
      for (const digit of ends[1] - ends[0] < most / 3 ? [1, 2, 5] : [1]) values.push(digit * 10 ** e);
    }
  } else {
    const raw = (high - low) / most;
    const power = 10 ** Math.floor(Math.log10(raw));
    step = power * ([1, 2, 5].find((d) => d * power >= raw * (1 - 1e-9)) ?? 10);
    for (let k = Math.ceil(low / step - 1e-9); k * step <= high * (1 + 1e-12) && values.length < 40; k++) values.push(k * step);
  }
  values = values.filter((v) => v >= low - 1e-9 * Math.abs(low) && v <= high + 1e-9 * Math.abs(high));
  return values.map((value) => {
    const share = ((log ? Math.log10(value) : value) - axis.ends[0]) / (axis.ends[1] - axis.ends[0]);
    const at = shown(axis, axis.at[0] + share * (axis.at[1] - axis.at[0]));
    return { at, label: decimal(value, step || value) };
  });
}

/**
 * @param {string} name
 * @param {Record<string, string | number>} attributes
 */
function made(name, attributes) {
  return set(document.createElementNS(SVG, name), attributes);
}

/**
 * @param {Element} node
 * @param {Record<string, string | number>} attributes
 */
function set(node, attributes) {
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, String(value));
  return node;
}

dress(document);
