// The limiter: simulated once, and then every target is answered as fast as it is dragged.

import { across, begin, minus } from "./curves.js";
import { json, send } from "./server.js";

const LEFT = 40, RIGHT = 12;

export class Plan {
  constructor(element, { number, begun, told }) {
    Object.assign(this, { element, number, told });
    element("plan").addEventListener("click", async () => {
      try {
        await send("plan", { number: number(), profile: element("plan-for").value });
        begun();
      } catch (error) {
        told(error.message);
      }
    });
    element("target").addEventListener("input", () => this.ask());
    element("target").addEventListener("change", () => this.solve());
    new ResizeObserver(() => this.draw()).observe(element("reduction"));
  }

  // What the server says of it: on its way, wrong, or there.
  show(state, number) {
    const about = state && state.about[0] === number ? state : null;
    const ready = Boolean(about?.done && !about.error);
    this.element("plan-told").textContent = about ? (about.error ?? (about.done ? "" : `simulating, ${Math.round(100 * about.share)} %`)) : "";
    const name = ready ? about.about.join(" ") : "";
    this.element("planned").hidden = !ready;
    if (!ready || name === this.shown) {
      if (!ready) this.shown = "";
      return;
    }
    this.shown = name;
    const target = this.element("target");
    target.min = Math.round(10 * about.lowest) / 10;
    target.max = Math.round(10 * about.highest) / 10;
    target.value = about.target;
    this.ask();
    this.solve();
  }

  // What the plan itself says, once the target rests.
  async solve() {
    const target = Number(this.element("target").value), list = this.element("solved");
    this.element("solved-told").textContent = list.dataset.going;
    try {
      const { lines } = await send("plan/solve", { target });
      if (target !== Number(this.element("target").value)) return;
      list.replaceChildren(...lines.map((line) => Object.assign(document.createElement("li"), { textContent: line.trim() })));
      this.element("solved-told").textContent = "";
    } catch (error) {
      this.element("solved-told").textContent = error.message;
    }
  }

  // One question at a time; the last one counts.
  async ask() {
    this.wanted = this.element("target").value;
    if (this.asking) return;
    this.asking = true;
    try {
      while (this.wanted !== undefined) {
        const target = this.wanted;
        this.wanted = undefined;
        const found = await json(`plan?target=${target}`);
        this.element("solved").replaceChildren(); // that was for another target
        this.element("target-shown").textContent = found.target;
        this.element("plan-true").textContent = found.true_peak;
        this.element("plan-sample").textContent = found.sample_peak;
        this.curve = found.curve;
        this.draw();
      }
    } catch (error) {
      this.told(error.message);
    } finally {
      this.asking = false;
    }
  }

  draw() {
    const canvas = this.element("reduction");
    if (!canvas.clientWidth || !this.curve) return;
    const { pen, colour, width, height } = begin(canvas), most = Math.max(3, Math.ceil(Math.max(...this.curve, 0)));
    const y = (db) => 8 + (db / most) * (height - 16), step = [1, 2, 3, 6, 12].find((each) => most / each <= 4) ?? 12;
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    for (let db = 0; db <= most; db += step) {
      across(pen, y(db), LEFT, width - RIGHT, db ? colour.hair : colour.grey);
      pen.fillStyle = colour.grey;
      pen.fillText(minus(db ? `-${db}` : "0 dB"), LEFT - 6, y(db));
    }
    pen.fillStyle = colour.ink;
    const scale = (width - LEFT - RIGHT) / Math.max(1, this.curve.length);
    this.curve.forEach((db, at) => pen.fillRect(LEFT + at * scale, y(0), Math.max(1, scale), y(db) - y(0)));
  }
}
