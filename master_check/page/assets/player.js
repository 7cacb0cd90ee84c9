// The last stage before the loudspeakers, on the audio thread. It plays one stream or two that run in step, each with a
// weight; a weight changes over 5 ms, and so does starting, stopping and running out of sound, so that nothing clicks.

const RAMP_S = 0.005;
const FEW_S = 0.2; // so much has to be there before it goes on

class Player extends AudioWorkletProcessor {
  constructor() {
    super();
    this.ramp = Math.max(1, Math.round(RAMP_S * sampleRate));
    this.blocks = []; // {start, length, streams: [[Float32Array of a channel, ...], ...]}, in order, without gaps
    this.frame = 0; // the next to be played
    this.end = 0; // of the file
    this.running = false;
    this.open = 0; // 0 to 1: the envelope of starting and stopping
    this.weights = [0, 0];
    this.wanted = [0, 0];
    this.step = [0, 0];
    this.told = 0;
    this.waiting = true;
    this.port.onmessage = (event) => this.take(event.data);
  }

  take(message) {
    if (message.weights) {
      this.wanted = message.weights;
      this.step = this.wanted.map((to, at) => (to - this.weights[at]) / this.ramp);
      if (!this.open) this.weights = [...this.wanted];
    }
    if (message.clear !== undefined) {
      this.coming = { frame: message.clear, end: message.end, blocks: [] };
      if (!this.open) this.move();
    }
    if (message.block) (this.coming ?? this).blocks.push(message.block);
    if (message.running !== undefined) this.running = message.running;
  }

  // To another place, once what was heard has faded.
  move() {
    Object.assign(this, this.coming, { waiting: true });
    this.coming = undefined;
  }

  ready() {
    const last = this.blocks.at(-1);
    return last ? last.start + last.length - this.frame : 0;
  }

  process(inputs, outputs) {
    const out = outputs[0], frames = out[0].length;
    const ahead = this.ready(), rest = this.end - this.frame;
    if (this.waiting && ahead >= Math.min(FEW_S * sampleRate, rest)) this.waiting = false;
    // What is about to run out fades before it does; at the end of the file nothing is left to fade.
    if (!this.waiting && ahead < rest && ahead < this.ramp + 2 * frames) this.waiting = true;
    const open = this.running && !this.waiting && !this.coming ? 1 : 0;
    for (let at = 0; at < frames; at++) {
      if (this.open !== open) {
        const next = this.open + (open ? 1 : -1) / this.ramp;
        this.open = open ? Math.min(1, next) : Math.max(0, next);
      }
      for (let s = 0; s < 2; s++) {
        if (this.weights[s] !== this.wanted[s]) {
          const next = this.weights[s] + this.step[s];
          const past = this.step[s] > 0 ? next >= this.wanted[s] : next <= this.wanted[s];
          this.weights[s] = past ? this.wanted[s] : next;
        }
      }
      if (!this.open || !this.sum(out, at)) {
        for (const channel of out) channel[at] = 0;
        continue;
      }
      this.frame++;
    }
    if (this.running && !this.coming && this.frame >= this.end && this.end) {
      this.running = false;
      this.port.postMessage({ ended: true });
    }
    if (this.coming && !this.open) this.move();
    this.told += frames;
    if (this.told >= 1024) {
      this.told = 0;
      if (!this.coming) this.port.postMessage({ frame: this.frame, ahead: this.ready() });
    }
    return true;
  }

  // One frame of all streams; false where it is not there.
  sum(out, at) {
    let block = this.blocks[0];
    while (block && this.frame >= block.start + block.length) {
      this.blocks.shift();
      block = this.blocks[0];
    }
    if (!block || this.frame < block.start) return false;
    const place = this.frame - block.start;
    for (let c = 0; c < out.length; c++) {
      let value = 0;
      for (let s = 0; s < block.streams.length; s++) {
        const rows = block.streams[s];
        const weight = this.weights[block.streams.length === 1 ? 1 : s];
        value += weight * rows[Math.min(c, rows.length - 1)][place];
      }
      out[c][at] = this.open * value;
    }
    return true;
  }
}

registerProcessor("player", Player);
