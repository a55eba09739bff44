// The picture: a line that moves while it sounds, and a note that can be chosen.

const SVG = "http://www.w3.org/2000/svg";
const PICKUP_S = 1.3; // a phrase that begins so near the end of a system is shown with the next

export class Picture {
  constructor(root, here) {
    this.root = root;
    this.here = here;
    this.note = 0;
  }

  /** The drawing that the width of its place lets through. */
  drawing() {
    return [...this.root.querySelectorAll("svg")].find((s) => s.getClientRects().length > 0);
  }

  /** Whether one system is shown at a time, as on a phone. */
  get isNarrow() {
    return this.drawing()?.classList.contains("phone") ?? false;
  }

  /** Shows one system of the drawing for phones: the one `by` further. */
  turn(by) {
    this.showSystem((this.system ?? 0) + by);
  }

  /** Shows the system in which a phrase sounds that began at `since`: a pickup just before a system
   * counts to it. */
  follow(time, since = time) {
    const found = this.systems().findIndex((system, k, all) => {
      const times = system.dataset.times.split(" ").map(Number);
      const last = times.at(-1);
      if (since >= last - PICKUP_S && k + 1 < all.length) return false;
      return time + 0.05 < last || k + 1 === all.length;
    });
    if (found >= 0) this.showSystem(found);
  }

  systems() {
    const svg = this.isNarrow ? this.drawing() : null;
    return svg ? [...svg.querySelectorAll(".system")] : [];
  }

  showSystem(wanted) {
    const systems = this.systems();
    const next = Math.min(Math.max(wanted, 0), systems.length - 1);
    if (systems.length < 2 || next === this.system) return;
    this.system = next;
    const svg = this.drawing();
    const box = systems[next].getBBox();
    const top = next ? box.y - 4 : 0;
    const high = box.y + box.height - top + 6;
    svg.setAttribute("viewBox", `0 ${top.toFixed(1)} ${svg.viewBox.baseVal.width} ${high.toFixed(1)}`);
    svg.setAttribute("height", high.toFixed(0));
  }

  notes() {
    const svg = this.drawing();
    return svg ? [...svg.querySelectorAll(".note")] : [];
  }

  /** The first drawn group of each note; a note held over a system break has two. */
  list() {
    const seen = new Map();
    this.notes().forEach((n) => {
      if (!seen.has(n.dataset.note)) seen.set(n.dataset.note, n);
    });
    return [...seen.values()];
  }

  choose(group, speak = true) {
    this.note = Number(group.dataset.note);
    this.mark();
    if (speak) this.here.textContent = `Note ${this.note}: ${group.dataset.info}.`;
    return Number(group.dataset.start);
  }

  /** Four crop marks around the chosen note. */
  mark() {
    this.root.querySelectorAll(".crop").forEach((c) => c.remove());
    const group = this.notes().find((n) => Number(n.dataset.note) === this.note);
    const box = group?.querySelector(".hit")?.getBBox();
    if (!box) return;
    const [x0, y0, x1, y1] = [box.x - 3, box.y - 3, box.x + box.width + 3, box.y + box.height + 3];
    const l = Math.min(9, (x1 - x0) / 3);
    const crop = document.createElementNS(SVG, "path");
    crop.setAttribute("class", "ln crop");
    crop.setAttribute(
      "d",
      `M${x0} ${y0 + l}V${y0}H${x0 + l}M${x1 - l} ${y0}H${x1}V${y0 + l}` +
        `M${x1} ${y1 - l}V${y1}H${x1 - l}M${x0 + l} ${y1}H${x0}V${y1 - l}`,
    );
    group.append(crop);
  }

  step(by, onlyEndings = false) {
    const list = this.list().filter((n) => !onlyEndings || n.dataset.info.includes(" ends here"));
    if (!list.length) return null;
    const next =
      by > 0
        ? (list.find((n) => Number(n.dataset.note) > this.note) ?? list[list.length - 1])
        : ([...list].reverse().find((n) => Number(n.dataset.note) < this.note) ?? list[0]);
    return this.choose(next);
  }

  /** The reading line, an I-beam, at a time of the song. */
  line(time) {
    const svg = this.drawing();
    this.root.querySelectorAll(".play").forEach((p) => {
      if (p.ownerSVGElement !== svg) p.remove();
    });
    if (!svg) return;
    for (const system of svg.querySelectorAll(".system")) {
      const times = system.dataset.times.split(" ").map(Number);
      const xs = system.dataset.xs.split(" ").map(Number);
      let beam = system.querySelector(".play");
      const k = times.findIndex((t, i) => i + 1 < times.length && t <= time && time < times[i + 1]);
      if (k < 0) {
        beam?.remove();
        continue;
      }
      if (!beam) {
        beam = document.createElementNS(SVG, "path");
        beam.setAttribute("class", "ln play");
        const [top, bottom] = [system.dataset.top, system.dataset.bottom];
        beam.setAttribute("d", `M-5 ${top}H5M0 ${top}V${bottom}M-5 ${bottom}H5`);
        system.append(beam);
      }
      const x = xs[k] + ((xs[k + 1] - xs[k]) * (time - times[k])) / (times[k + 1] - times[k]);
      beam.setAttribute("transform", `translate(${x.toFixed(1)} 0)`);
    }
  }
}
