// What is heard: fetches sound in short pieces, hands them to the player on the audio thread, and says with which weights.

const PIECE_S = 1; // fetched at a time
const AHEAD_S = 5; // kept ready
const decibels = (db) => 10 ** (db / 20);

export class Sound {
  // `moved(frame)` is told where it is, `changed()` that it began or ended, `told(words)` what went wrong.
  constructor({ moved, changed, told }) {
    Object.assign(this, { moved, changed, told });
    this.names = []; // of one stream or two, as the server has them
    this.rate = 0;
    this.frames = 0;
    this.frame = 0;
    this.playing = false;
    this.level_db = -12;
    this.gains_db = [0, 0]; // 0 or less, of the first and of the second stream
    this.heard = "second"; // "first", "second" or "difference"
    this.turn = 0; // rises whenever what is fetched is no longer wanted
  }

  // One stream or two that run in step; where it was is kept where there is such a place.
  async load(names, rate, frames) {
    const same = rate === this.rate && this.context;
    const place = this.rate ? this.frame / this.rate : 0;
    const playing = this.playing;
    this.turn++;
    Object.assign(this, { names, rate, frames, frame: Math.min(frames, Math.round(place * rate)) });
    if (!same && this.context) {
      const before = this.context;
      this.context = this.player = undefined;
      this.playing = false;
      await before.close();
    }
    if (playing) await this.play();
    this.changed();
  }

  async start() {
    if (this.player) return;
    const context = new AudioContext({ sampleRate: this.rate, latencyHint: "interactive" });
    await context.audioWorklet.addModule(new URL("player.js", import.meta.url));
    this.player = attach(context, context.destination);
    this.context = context;
    this.player.port.onmessage = ({ data }) => this.hear(data);
  }

  // From a place in frames, or from where it is.
  async play(frame = this.frame) {
    try {
      await this.start();
      await this.context.resume();
    } catch (error) {
      this.told(`This browser cannot play ${this.rate} Hz (${error.message})`);
      return;
    }
    if (frame >= this.frames) frame = 0;
    this.turn++;
    this.frame = this.fetched = Math.max(0, Math.min(frame, this.frames));
    this.player.port.postMessage({ clear: this.frame, end: this.frames, running: true });
    this.weigh();
    this.playing = true;
    this.changed();
    this.fill(this.turn, 0);
  }

  stop() {
    if (this.player) this.player.port.postMessage({ running: false });
    this.playing = false;
    this.turn++;
    this.changed();
  }

  go(frame) {
    if (this.playing) return this.play(frame);
    this.frame = Math.max(0, Math.min(frame, this.frames));
    this.moved(this.frame);
    return Promise.resolve();
  }

  // What the loudspeakers get of each stream. No weight is above that of the level.
  weights() {
    const level = decibels(this.level_db);
    const [first, second] = this.gains_db.map((gain) => level * decibels(Math.min(0, gain)));
    if (this.names.length < 2) return [0, second];
    if (this.heard === "first") return [first, 0];
    if (this.heard === "second") return [0, second];
    return [-0.5 * first, 0.5 * second]; // half, as two that are opposite add up to twice
  }

  weigh() {
    if (this.player) this.player.port.postMessage({ weights: this.weights() });
  }

  hear(data) {
    if (data.ended) {
      this.playing = false;
      this.frame = this.frames;
      this.changed();
    } else if (this.playing) {
      this.frame = data.frame;
      this.fill(this.turn, data.ahead);
    }
    this.moved(this.frame);
  }

  async fill(turn, ahead) {
    if (this.filling === turn || turn !== this.turn) return;
    this.filling = turn;
    try {
      while (turn === this.turn && this.fetched < this.frames && this.fetched - this.frame < AHEAD_S * this.rate) {
        const start = this.fetched, stop = Math.min(this.frames, start + PIECE_S * this.rate);
        const streams = await Promise.all(this.names.map((name) => piece(name, start, stop)));
        if (turn !== this.turn) return;
        this.fetched = stop;
        const buffers = streams.flat().map((row) => row.buffer);
        this.player.port.postMessage({ block: { start, length: stop - start, streams } }, [...new Set(buffers)]);
      }
    } catch (error) {
      this.stop();
      this.told(error.message);
    } finally {
      if (this.filling === turn) this.filling = undefined;
    }
  }
}

// The player, on a context that has its module.
export function attach(context, destination) {
  const node = new AudioWorkletNode(context, "player", { numberOfInputs: 0, outputChannelCount: [2] });
  node.connect(destination);
  return node;
}

// Samples of a stream: an array for each channel.
export async function piece(name, start, stop) {
  const answer = await fetch(`sounds/${name}?start=${start}&stop=${stop}`);
  if (!answer.ok) throw new Error((await answer.json()).error);
  const all = new Float32Array(await answer.arrayBuffer());
  const length = stop - start, rows = Math.round(all.length / length);
  return Array.from({ length: rows }, (_, row) => all.slice(row * length, (row + 1) * length));
}
