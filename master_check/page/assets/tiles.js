// Pieces of curves from the server, a bounded number of them kept. A curve is asked for by columns of a level; a level's
// columns are four times as long as those of the one before.

const TILE = 1024;
const KEPT = 240;

export class Tiles {
  // `came()` is told when something that was missing is there.
  constructor(came) {
    this.came = came;
    this.kept = new Map(); // in the order of use
    this.asked = new Set();
  }

  clear() {
    this.kept.clear();
    this.asked.clear();
  }

  // A tile, or undefined while it is on its way: {rows, length, values}, values by row, smallest then largest.
  get(number, what, level, index, rows) {
    const name = `files/${number}/tiles/${what}/${level}/${index}`;
    const found = this.kept.get(name);
    if (found) {
      this.kept.delete(name);
      this.kept.set(name, found);
    } else {
      this.ask(name, rows);
    }
    return found;
  }

  async ask(name, rows) {
    if (this.asked.has(name) || this.asked.size > 24) return;
    this.asked.add(name);
    try {
      const answer = await fetch(name);
      if (!answer.ok) return;
      const values = new Float32Array(await answer.arrayBuffer());
      this.kept.set(name, { rows, length: values.length / (2 * rows), values });
      if (this.kept.size > KEPT) this.kept.delete(this.kept.keys().next().value);
      this.came();
    } catch {
      // the server has ended; the page says so elsewhere
    } finally {
      this.asked.delete(name);
    }
  }

  // Smallest and largest of a row between two places, for each of `width` equal steps: two arrays, NaN where nothing is
  // known. Places count in columns of level 0; where the level that fits is on its way, a coarser one stands in for it.
  extremes({ number, what, levels, rows }, row, from, to, width) {
    const low = new Float32Array(width).fill(NaN), high = new Float32Array(width).fill(NaN);
    const fits = Math.max(0, Math.min(levels - 1, Math.floor(Math.log(Math.max(1, (to - from) / width)) / Math.log(4))));
    for (let level = fits; level < levels; level++) {
      const size = 4 ** level;
      const first = Math.max(0, Math.floor(from / size / TILE)), last = Math.floor(to / size / TILE);
      if (level > fits && last - first > 0 && level < levels - 1) continue; // stand-ins are coarse, or cost too much
      let whole = true;
      for (let index = first; index <= last; index++) {
        const tile = this.get(number, what, level, index, rows);
        if (tile) this.fill(low, high, tile, row, index * TILE, size, from, to, width);
        else whole = false;
      }
      if (whole) break;
    }
    return { low, high };
  }

  fill(low, high, tile, row, start, size, from, to, width) {
    const scale = (to - from) / width;
    const lows = (2 * row) * tile.length, highs = lows + tile.length;
    const x0 = Math.max(0, Math.floor((start * size - from) / scale));
    const x1 = Math.min(width, Math.ceil(((start + tile.length) * size - from) / scale));
    for (let x = x0; x < x1; x++) {
      if (low[x] === low[x]) continue; // a finer one was there
      let a = Math.floor((from + x * scale) / size) - start;
      let b = Math.max(a + 1, Math.floor((from + (x + 1) * scale) / size) - start);
      a = Math.max(0, a);
      b = Math.min(tile.length, b);
      if (a >= b) continue;
      let least = Infinity, most = -Infinity;
      for (let i = a; i < b; i++) {
        const l = tile.values[lows + i], h = tile.values[highs + i];
        if (l < least) least = l;
        if (h > most) most = h;
      }
      low[x] = least;
      high[x] = most;
    }
  }
}
