// Draws loudness and waveform over time, and moves and zooms in them. The look is the report's: paper, ink, hairlines.

import { Tiles } from "./tiles.js";

const LEFT = 40, RIGHT = 12, TOP = 18, BOTTOM = 22; // room for scales, CSS pixels
const HOPS = 100; // of loudness in a second
const MOMENTARY = 40, SHORT_TERM = 300; // hops in a window, which is drawn at its middle
const STEPS = [0.0001, 0.0002, 0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600,
  1200, 1800, 3600, 7200];

export const clock = (seconds, places = 3) => {
  const unit = 10 ** places, total = Math.round(seconds * unit), whole = Math.floor(total / unit);
  const rest = places ? "." + String(total % unit).padStart(places, "0") : "";
  const [h, m, s] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, String(whole % 60).padStart(2, "0")];
  return (h ? `${h}:${String(m).padStart(2, "0")}` : `${m}`) + `:${s}${rest}`;
};

export const minus = (text) => text.replace(/-(?=[\d.])/g, "\u2212");

// A canvas in CSS pixels, with the page's colours and type.
export function begin(canvas) {
  const ratio = window.devicePixelRatio || 1, { clientWidth: width, clientHeight: height } = canvas;
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  const pen = canvas.getContext("2d"), style = getComputedStyle(document.documentElement);
  const colour = Object.fromEntries(["paper", "ink", "grey", "wash", "hair", "mark"].map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, width, height);
  pen.font = `12px ${getComputedStyle(document.body).fontFamily}`;
  pen.lineWidth = 1;
  pen.setLineDash([]);
  return { pen, colour, width, height };
}

export function across(pen, y, left, right, colour, dash = []) {
  pen.strokeStyle = colour;
  pen.setLineDash(dash);
  pen.beginPath();
  pen.moveTo(left, Math.round(y) + 0.5);
  pen.lineTo(right, Math.round(y) + 0.5);
  pen.stroke();
  pen.setLineDash([]);
}

export class Curves {
  // `chosen(seconds)` is told where the engineer points; `viewed()` that another part is in view.
  constructor({ loudness, waveform, chosen, viewed }) {
    Object.assign(this, { loudness, waveform, chosen, viewed, start: 0, span: 1, at: 0, file: undefined });
    this.tiles = new Tiles(() => this.draw());
    for (const canvas of [loudness, waveform]) this.listen(canvas);
    new ResizeObserver(() => this.draw()).observe(waveform);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw());
  }

  // A file as the server describes it; `same` keeps what is in view.
  show(file, same = false) {
    this.file = file;
    this.tiles.clear();
    if (!same) this.all();
    else this.look(this.start, this.span);
  }

  all() {
    if (this.file) this.look(0, this.file.duration_s);
  }

  look(start, span) {
    const whole = this.file?.duration_s ?? 1;
    this.span = Math.min(whole, Math.max(span, 24 / (this.file?.rate ?? 48000)));
    this.start = Math.max(0, Math.min(start, whole - this.span));
    this.draw();
    this.viewed();
  }

  // By a factor, around a place.
  zoom(factor, around = this.at) {
    const inside = around >= this.start && around <= this.start + this.span;
    const middle = inside ? around : this.start + this.span / 2;
    const share = (middle - this.start) / this.span;
    const span = this.span * factor;
    this.look(middle - share * span, span);
  }

  // Where it plays; the page turns when that leaves the view.
  place(seconds, follow) {
    this.at = seconds;
    if (follow && (seconds < this.start || seconds > this.start + this.span)) {
      this.look(seconds < this.start ? seconds - this.span / 8 : seconds - this.span / 40, this.span);
    } else {
      this.draw();
    }
  }

  listen(canvas) {
    let held;
    canvas.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      held = { x: event.offsetX, start: this.start, moved: false };
      canvas.setPointerCapture(event.pointerId);
    });
    canvas.addEventListener("pointermove", (event) => {
      if (!held) return;
      held.moved ||= Math.abs(event.offsetX - held.x) > 4;
      if (held.moved) this.look(held.start - (event.offsetX - held.x) * this.scale(canvas), this.span);
    });
    canvas.addEventListener("pointerup", (event) => {
      if (held && !held.moved && this.file) this.chosen(this.seconds(canvas, event.offsetX));
      held = undefined;
    });
    canvas.addEventListener("pointercancel", () => (held = undefined));
    canvas.addEventListener("wheel", (event) => {
      if (event.ctrlKey || event.metaKey) {
        event.preventDefault();
        this.zoom(Math.exp(event.deltaY * 0.004), this.seconds(canvas, event.offsetX));
      } else if (event.deltaX || event.shiftKey) {
        event.preventDefault();
        this.look(this.start + (event.deltaX || event.deltaY) * this.scale(canvas), this.span);
      }
    }, { passive: false });
  }

  scale(canvas) {
    return this.span / Math.max(1, canvas.clientWidth - LEFT - RIGHT);
  }

  seconds(canvas, x) {
    const found = this.start + (x - LEFT) * this.scale(canvas);
    return Math.max(0, Math.min(found, this.file.duration_s));
  }

  // Once before the next picture is shown, however often it is asked for.
  draw() {
    if (this.drawing) return;
    this.drawing = requestAnimationFrame(() => {
      this.drawing = undefined;
      if (!this.file || !this.waveform.clientWidth) return;
      this.drawLoudness();
      this.drawWaveform();
    });
  }

  x(seconds, width) {
    return LEFT + ((seconds - this.start) / this.span) * (width - LEFT - RIGHT);
  }

  times(pen, colour, width, bottom) {
    const room = (width - LEFT - RIGHT) / 90;
    const step = STEPS.find((each) => this.span / each <= room) ?? this.span;
    const places = Math.max(0, Math.ceil(-Math.log10(step) - 1e-9));
    pen.textAlign = "center";
    pen.textBaseline = "alphabetic";
    for (let n = Math.ceil(this.start / step - 1e-9); n * step <= this.start + this.span + 1e-9; n++) {
      const x = this.x(n * step, width);
      pen.fillStyle = colour.hair;
      pen.fillRect(Math.round(x), TOP, 1, bottom - TOP);
      pen.fillStyle = colour.grey;
      const text = clock(n * step, places), half = pen.measureText(text).width / 2;
      pen.fillText(text, Math.max(half, Math.min(x, width - half)), bottom + 16);
    }
  }

  cursor(pen, colour, width, height) {
    const x = this.x(this.at, width);
    if (x < LEFT - 1 || x > width - RIGHT + 1) return;
    pen.fillStyle = colour.mark;
    pen.fillRect(Math.round(x) - 0.5, 4, 1.5, height - BOTTOM - 4);
  }

  drawLoudness() {
    const { pen, colour, width, height } = begin(this.loudness), bottom = height - BOTTOM, found = this.file.loudness;
    if (!found) return this.times(pen, colour, width, bottom);
    const inner = width - LEFT - RIGHT;
    const y = (lufs) => bottom - ((Math.max(found.low - 1, lufs) - found.low) / (found.high - found.low)) * (bottom - TOP);
    this.times(pen, colour, width, bottom);
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    const step = [1, 2, 3, 6, 12].find((each) => (found.high - found.low) / each <= 6) ?? 12;
    for (let at = Math.ceil(found.low / step) * step; at <= found.high; at += step) {
      across(pen, y(at), LEFT, width - RIGHT, colour.hair);
      pen.fillStyle = colour.grey;
      pen.fillText(minus(String(at)), LEFT - 6, y(at));
    }
    pen.save();
    pen.beginPath();
    pen.rect(LEFT, TOP - 2, inner, bottom - TOP + 2);
    pen.clip();
    const curve = (what, window) => {
      const from = this.start * HOPS - window / 2, to = (this.start + this.span) * HOPS - window / 2;
      return this.tiles.extremes({ number: this.file.number, what, levels: this.file.levels[what], rows: 1 }, 0, from, to, inner);
    };
    const momentary = curve("momentary", MOMENTARY);
    pen.fillStyle = colour.wash;
    for (let x = 0; x < inner; x++) {
      if (momentary.low[x] !== momentary.low[x]) continue;
      const top = y(momentary.high[x]);
      pen.fillRect(LEFT + x, top - 0.5, 1, Math.max(1.2, y(momentary.low[x]) - top + 1));
    }
    this.stroke(pen, curve("short_term", SHORT_TERM), colour.ink, y);
    across(pen, y(found.integrated), LEFT, width - RIGHT, colour.ink, [9, 4]);
    for (const level of found.levels) across(pen, y(level.value), LEFT, width - RIGHT, level.style === "played" ? colour.grey : colour.mark, [2, 2.5]);
    pen.restore();
    const loudest = this.file.loudest;
    if (loudest) {
      const a = this.x(loudest.at_s, width), b = this.x(loudest.stop_s, width);
      if (b > LEFT && a < width - RIGHT) {
        pen.fillStyle = colour.mark;
        const left = Math.max(LEFT, a), right = Math.min(width - RIGHT, Math.max(b, a + 2));
        pen.fillRect(left, TOP - 8, right - left, 2);
        pen.fillRect(left, TOP - 8, 1.5, 6);
        pen.fillRect(right - 1.5, TOP - 8, 1.5, 6);
      }
    }
    this.cursor(pen, colour, width, height);
  }

  stroke(pen, { low, high }, colour, y) {
    pen.strokeStyle = colour;
    pen.lineWidth = 1.2;
    pen.beginPath();
    let drawn = false;
    for (let x = 0; x < low.length; x++) {
      if (low[x] !== low[x]) {
        drawn = false;
        continue;
      }
      const a = y(high[x]), b = y(low[x]);
      if (drawn) pen.lineTo(LEFT + x + 0.5, a);
      else pen.moveTo(LEFT + x + 0.5, a);
      if (b - a > 1) pen.lineTo(LEFT + x + 0.5, b);
      drawn = true;
    }
    pen.stroke();
    pen.lineWidth = 1;
  }

  drawWaveform() {
    const { pen, colour, width, height } = begin(this.waveform), { file } = this, rows = file.labels.length;
    const bottom = height - BOTTOM, inner = width - LEFT - RIGHT, each = (bottom - TOP) / rows, framesAPixel = (this.span * file.rate) / inner;
    this.times(pen, colour, width, bottom);
    for (let row = 0; row < rows; row++) {
      const middle = TOP + each * (row + 0.5), half = each * 0.46;
      const y = (value) => middle - Math.max(-1.08, Math.min(1.08, value)) * half;
      across(pen, y(1), LEFT, width - RIGHT, colour.hair);
      across(pen, y(-1), LEFT, width - RIGHT, colour.hair);
      for (const level of rows <= 2 ? file.levels_dbfs : []) {
        const value = 10 ** (level.value / 20);
        for (const sign of [1, -1]) if (value < 1.08) across(pen, y(sign * value), LEFT, width - RIGHT, colour.mark, [2, 2.5]);
      }
      const from = this.start * file.rate, wanted = { number: file.number, what: "waveform", levels: file.levels.waveform, rows };
      if (framesAPixel < 1) this.drawSamples(pen, colour, wanted, row, y, 1 / framesAPixel);
      else this.drawPeaks(pen, colour, this.tiles.extremes(wanted, row, from, from + this.span * file.rate, inner), y);
      across(pen, middle, LEFT, width - RIGHT, colour.grey);
      pen.fillStyle = colour.grey;
      pen.textAlign = "right";
      pen.textBaseline = "middle";
      pen.fillText(file.labels[row], LEFT - 6, middle);
    }
    this.drawMarks(pen, colour, width, bottom);
    this.cursor(pen, colour, width, height);
  }

  drawPeaks(pen, colour, { low, high }, y) {
    pen.fillStyle = colour.ink;
    for (let x = 0; x < low.length; x++) {
      if (low[x] !== low[x]) continue;
      const top = y(high[x]);
      pen.fillRect(LEFT + x, top - 0.5, 1, Math.max(1, y(low[x]) - top + 1));
    }
  }

  // Closer than a sample a pixel: every sample, joined, with a dot where there is room.
  drawSamples(pen, colour, wanted, row, y, apart) {
    const rate = this.file.rate, first = Math.floor(this.start * rate), last = Math.min(this.file.frames - 1, Math.ceil((this.start + this.span) * rate));
    const { low } = this.tiles.extremes(wanted, row, first, last + 1, last + 1 - first);
    pen.strokeStyle = pen.fillStyle = colour.ink;
    pen.save();
    pen.beginPath();
    pen.rect(LEFT, 0, this.waveform.clientWidth - LEFT - RIGHT, this.waveform.clientHeight);
    pen.clip();
    pen.beginPath();
    for (let n = 0; n < low.length; n++) {
      const x = this.x((first + n) / rate, this.waveform.clientWidth);
      if (n) pen.lineTo(x, y(low[n]));
      else pen.moveTo(x, y(low[n]));
    }
    pen.stroke();
    if (apart > 6) for (let n = 0; n < low.length; n++) pen.fillRect(this.x((first + n) / rate, this.waveform.clientWidth) - 1.5, y(low[n]) - 1.5, 3, 3);
    pen.restore();
  }

  drawMarks(pen, colour, width, bottom) {
    for (const mark of this.file.marks) {
      let before = -9;
      for (const at of mark.at_s) {
        const x = this.x(at, width);
        if (x < LEFT || x > width - RIGHT || x - before < 1) continue;
        before = x;
        drawMark(pen, colour, mark.shape, x, bottom);
      }
    }
  }
}

// The shapes that places have, standing on the upper edge of the waveform.
export function drawMark(pen, colour, shape, x, bottom) {
  pen.fillStyle = pen.strokeStyle = colour.mark;
  pen.lineWidth = 1.2;
  pen.beginPath();
  const y = TOP - 3;
  if (shape === "triangle") {
    pen.moveTo(x - 4, y - 8);
    pen.lineTo(x + 4, y - 8);
    pen.lineTo(x, y);
    pen.closePath();
    pen.fill();
  } else if (shape === "square") {
    pen.fillRect(x - 3, y - 7, 6, 6);
  } else if (shape === "bar") {
    pen.fillRect(x - 4, y - 5, 8, 2.5);
  } else if (shape === "lozenge") {
    pen.moveTo(x, y - 9);
    pen.lineTo(x + 4, y - 5);
    pen.lineTo(x, y - 1);
    pen.lineTo(x - 4, y - 5);
    pen.closePath();
    pen.fillStyle = colour.paper;
    pen.fill();
    pen.stroke();
  } else if (shape === "ring") {
    pen.arc(x, y - 4, 3, 0, 7);
    pen.fillStyle = colour.paper;
    pen.fill();
    pen.stroke();
  } else {
    pen.fillRect(x - 0.5, y - 8, 1, 8);
    if (bottom) {
      pen.setLineDash([1, 3]);
      pen.moveTo(x, TOP);
      pen.lineTo(x, bottom);
      pen.stroke();
      pen.setLineDash([]);
    }
  }
  pen.lineWidth = 1;
}
