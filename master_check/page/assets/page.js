// The page: which file is shown, what is heard, and what the keys do.

import { clock, Curves, drawMark, minus } from "./curves.js";
import { Plan } from "./plan.js";
import { profiles } from "./profiles.js";
import { bring, json, send, text } from "./server.js";
import { Sound } from "./sound.js";

const element = (id) => document.getElementById(id);
const told = (words) => (element("told").textContent = words);
const decibels = (db) => minus(`${db > 0 ? "+" : ""}${(Math.round(10 * db) / 10 + 0).toFixed(1)} dB`);
const BEFORE_S = 2; // a finding is played from so long before it
const POLL_MS = 250;

let state = { files: [], profiles: [], pair: null, plan: null, album: null };
let shown; // the file that is looked at: its number
let file; // what is drawn of it
let pairing = false; // two files are heard
let swapped = false; // blind: One is the second file
let asked; // the state, at least once
let places = []; // [{at, words}] in order of time

const sound = new Sound({
  moved: (frame) => move(frame / sound.rate),
  changed: () => {
    element("play").textContent = sound.playing ? element("play").dataset.stop : element("play").dataset.play;
    move(sound.rate ? sound.frame / sound.rate : 0);
  },
  told,
});
const curves = new Curves({
  loudness: element("loudness"),
  waveform: element("waveform"),
  chosen: (seconds) => go(seconds),
  viewed: () => {
    const room = Math.max(1e-9, file ? file.duration_s - curves.span : 0);
    element("place").value = Math.round((10000 * curves.start) / room);
    element("place").ariaValueText = clock(curves.start);
  },
});
const plan = new Plan(element, { number: () => shown, begun: () => poll(), told });

function move(seconds) {
  element("clock").textContent = clock(seconds);
  curves.place(seconds, sound.playing);
}

const go = (seconds) => sound.go(Math.round(seconds * sound.rate));
const here = () => (sound.rate ? sound.frame / sound.rate : 0);

// What is open

let polling;
function poll() {
  if (polling) return;
  polling = (async () => {
    try {
      do {
        await refresh();
        if (going()) await new Promise((done) => setTimeout(done, POLL_MS));
      } while (going());
    } catch (error) {
      told(error.message);
    } finally {
      polling = undefined;
    }
  })();
}

const going = () =>
  state.files.some((each) => ["waiting", "measuring"].includes(each.state)) ||
  [state.pair, state.plan, state.album].some((task) => task && !task.done);

async function refresh() {
  const before = JSON.stringify(state);
  state = await json("state");
  if (JSON.stringify(state) === before) return;
  list();
  for (const box of document.querySelectorAll('input[name="profile"]')) box.checked = state.profiles.some((each) => each.name === box.value);
  const chosen = state.profiles.map((each) => each.name).join(", ");
  element("chosen").textContent = chosen && `: ${chosen}`;
  if (asked === undefined) element("profiles-choice").open = !chosen; // once; from then on it is as the engineer leaves it
  asked = true;
  const ready = state.files.filter((each) => each.state === "ready");
  if (!state.files.some((each) => each.number === shown)) await show(undefined);
  if (shown === undefined && (ready.length || state.files.some((each) => each.state === "failed"))) {
    const first = ready[0] ?? state.files.find((each) => each.state === "failed");
    await show(first.number);
  } else if (shown !== undefined && stamp() !== part) {
    await show(shown, true);
  }
  await showPair();
  await showAlbum();
  sections();
}

// What is there depends on the file that is shown as much as on what the server says.
function sections() {
  const aims = state.profiles.filter((each) => each.plans).map((each) => each.name);
  options(element("plan-for"), aims.map((name) => [name, name]));
  element("limiter").hidden = !aims.length || file === undefined;
  const others = state.files.filter((each) => each.state === "ready" && each.number !== shown);
  element("two").hidden = !file || (!others.length && !pairing);
  options(element("other"), others.map((each) => [each.number, each.name]));
  plan.show(state.plan, shown);
}

// What the shown part depends on: it is fetched again when this changes.
const stamp = () => {
  const row = state.files.find((each) => each.number === shown);
  return JSON.stringify([shown, row?.state, row?.word, state.profiles.map((each) => each.name)]);
};
let part;

function options(select, wanted) {
  const now = JSON.stringify(wanted);
  if (select.dataset.now === now) return;
  const chosen = select.value;
  select.dataset.now = now;
  select.replaceChildren(...wanted.map(([value, words]) => new Option(words, value)));
  if (wanted.some(([value]) => String(value) === chosen)) select.value = chosen;
}

function list() {
  const body = element("list").tBodies[0], focused = document.activeElement?.dataset?.focus;
  body.replaceChildren(...state.files.map((each) => {
    const row = element("row").content.cloneNode(true).firstElementChild;
    const [name, result, close] = [row.querySelector(".show"), row.querySelector(".result"), row.querySelector(".close")];
    row.classList.toggle("shown", each.number === shown);
    name.textContent = each.name;
    name.dataset.number = each.number;
    name.dataset.focus = `show ${each.number}`;
    if (each.number === shown) name.setAttribute("aria-current", "true");
    close.dataset.number = each.number;
    close.dataset.focus = `close ${each.number}`;
    close.ariaLabel = `close ${each.name}`;
    if (each.word || each.state === "failed") {
      const word = document.createElement("span");
      word.className = `v ${each.state === "failed" ? "error" : each.result}`;
      word.textContent = each.word || each.state_words;
      result.append(word, each.error ? ` ${each.error}` : "");
    } else if (each.state !== "ready") {
      const progress = document.createElement("progress");
      progress.max = 1;
      progress.value = each.share;
      progress.ariaLabel = `${each.name} ${each.state_words}`;
      result.append(progress, ` ${each.state_words}`);
    }
    if (each.state === "ready") {
      row.querySelector(".integrated").textContent = each.integrated;
      row.querySelector(".peak").textContent = each.true_peak;
      row.querySelector(".length").textContent = each.length;
    }
    return row;
  }));
  element("list").hidden = !state.files.length;
  element("report").hidden = !state.files.some((each) => each.state === "ready" || each.state === "failed");
  element("as-album").hidden = state.files.filter((each) => each.state === "ready").length < 2;
  if (focused) body.querySelector(`[data-focus="${focused}"]`)?.focus();
}

// The file that is looked at

async function show(number, same = false) {
  shown = number;
  part = number === undefined ? undefined : stamp();
  const row = state.files.find((each) => each.number === number);
  element("findings").hidden = !row;
  element("sound").hidden = row?.state !== "ready";
  file = undefined;
  document.title = row ? row.name : "Look and listen";
  list();
  if (!row) {
    sound.stop();
    return;
  }
  const found = await text(`files/${number}/part`);
  if (shown !== number) return; // another one was chosen meanwhile
  element("findings").innerHTML = found;
  if (row.state !== "ready") {
    sound.stop();
    return;
  }
  const drawn = await json(`files/${number}/drawn`);
  if (shown !== number) return;
  file = { ...drawn, number };
  element("heard").textContent = file.heard;
  places = file.marks
    .filter((mark) => mark.at_s.length)
    .flatMap((mark) => mark.at_s.map((at) => ({ at, words: mark.words })))
    .concat(file.loudest ? [{ at: file.loudest.at_s, words: file.loudest.words }] : [])
    .sort((a, b) => a.at - b.at);
  keys();
  options(element("as-played"), [["0", "as the file is"], ...file.playback.map(({ gain_db, words }) => [String(gain_db), words])]);
  element("as-played-label").hidden = !file.playback.length;
  if (!pairing) await hearOne();
  curves.show(file, same);
  sections();
}

matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => file && keys());

async function hearOne() {
  pairing = false;
  sound.heard = "second";
  sound.gains_db = [0, Number(element("as-played").value)];
  await sound.load([String(shown)], file.rate, file.frames);
  sound.weigh();
}

function keys() {
  const item = (swatch, words) => {
    const line = document.createElement("li"), colours = getComputedStyle(document.documentElement);
    let key = document.createElement("span");
    key.className = `k ${swatch}`;
    if (swatch.startsWith("mark")) {
      key = document.createElement("canvas");
      key.width = key.height = 28;
      key.style.width = key.style.height = "14px";
      const pen = key.getContext("2d");
      pen.scale(2, 2);
      pen.translate(7, -4);
      drawMark(pen, { mark: colours.getPropertyValue("--mark"), paper: colours.getPropertyValue("--paper") }, swatch.split(" ")[1], 0, 0);
    }
    key.ariaHidden = "true";
    line.append(key, words);
    return line;
  };
  const loudness = file.loudness;
  element("loudness-keys").replaceChildren(
    ...(loudness ? [item("band", "momentary, 400 ms"), item("line", "short-term, 3 s"), item("dash", loudness.words), ...loudness.levels.map((level) => item(level.style, level.words))] : []),
    ...(file.loudest ? [item("line", file.loudest.words)] : []),
  );
  if (file.loudest) element("loudness-keys").lastElementChild.firstElementChild.style.borderTopColor = "var(--mark)";
  element("waveform-keys").replaceChildren(
    ...file.marks.map((mark) => item(`mark ${mark.shape}`, mark.at_s.length > 1 ? `${mark.words}: ${mark.at_s.length}${mark.at_s.length === 1000 ? " or more" : ""}` : mark.words)),
    ...file.levels_dbfs.map((level) => item(level.style, level.words)),
  );
}

// Two files

async function showPair() {
  const pair = state.pair;
  if (pair?.error) told(pair.error);
  const there = Boolean(pair?.done && !pair.error);
  element("lay").disabled = Boolean(pair && !pair.done);
  element("pair").hidden = !there;
  element("apart").hidden = !there;
  if (!there) {
    if (pairing && file) await hearOne();
    return;
  }
  if (pairing && pairing === pair.about.join(" ")) return;
  pairing = pair.about.join(" ");
  if (shown !== pair.about[1]) await show(pair.about[1]);
  element("pair-lines").replaceChildren(...pair.lines.map((line) => Object.assign(document.createElement("li"), { textContent: line })));
  sound.heard = "second";
  match();
  await sound.load(["pair", String(pair.about[1])], pair.rate, pair.frames);
  heard("second");
}

function match() {
  const pair = state.pair, on = element("match").checked || element("blind").checked;
  sound.gains_db = pair && on ? [pair.first_gain_db, pair.second_gain_db] : [0, 0];
  sound.weigh();
  names();
}

function names() {
  const pair = state.pair;
  if (!pair?.done || pair.error) return;
  const blind = element("blind").checked;
  const words = ["first", "second"].map((which, at) => {
    const row = state.files.find((each) => each.number === pair.about[at]);
    return { which, name: `${row?.name ?? ""} ${decibels(sound.gains_db[at])}` };
  });
  element("first").textContent = blind ? "One" : words[0].name;
  element("second").textContent = blind ? "Two" : words[1].name;
  element("difference").disabled = blind;
  element("match").disabled = blind;
  element("pair-lines").hidden = blind;
  pressed();
}

// Buttons as they are labelled: blind, the first button may be the second file.
const behind = (button) => (element("blind").checked && swapped ? { first: "second", second: "first" }[button] : button);

function pressed() {
  for (const button of ["first", "second", "difference"]) element(button).setAttribute("aria-pressed", String(sound.heard === behind(button)));
}

function heard(button) {
  if (button === "difference" && element("blind").checked) return;
  sound.heard = behind(button);
  sound.weigh();
  pressed();
}

for (const button of ["first", "second", "difference"]) element(button).addEventListener("click", () => heard(button));
element("match").addEventListener("change", match);
element("blind").addEventListener("change", () => {
  const on = element("blind").checked;
  if (on) {
    swapped = crypto.getRandomValues(new Uint8Array(1))[0] % 2 === 1;
    element("blind-told").textContent = "";
    if (sound.heard === "difference") sound.heard = "second";
  } else if (state.pair) {
    const [one, two] = swapped ? [1, 0] : [0, 1], name = (at) => state.files.find((each) => each.number === state.pair.about[at])?.name;
    element("blind-told").textContent = `One was ${name(one)}, Two was ${name(two)}.`;
    swapped = false;
  }
  match();
});
element("lay").addEventListener("click", () => act(() => send("pair", { first: Number(element("other").value), second: shown })));
element("apart").addEventListener("click", () => act(async () => {
  element("blind").checked = false;
  await send("pair/end");
}));

// Album

let album;
async function showAlbum() {
  const task = state.album;
  element("album").hidden = !task;
  element("album-told").textContent = task ? (task.error ?? (task.done ? "" : `${Math.round(100 * task.share)} %`)) : "";
  const ready = task?.done && !task.error ? JSON.stringify(task.about) : "";
  if (ready && ready !== album) element("album-part").innerHTML = await text("album");
  album = ready;
}
element("as-album").addEventListener("click", () => act(() => send("album")));

// Files come and go

async function act(what) {
  try {
    told("");
    await what();
  } catch (error) {
    told(error.message);
  }
  poll();
}

async function bringAll(files) {
  const known = [...files].filter((each) => !each.name.startsWith("."));
  for (const each of known) await act(() => bring(each));
}

element("list").addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  const number = Number(button.dataset.number);
  if (button.classList.contains("close")) act(() => send(`files/${number}/close`));
  else act(async () => {
    if (pairing && state.pair?.about[1] !== number) await send("pair/end");
    await show(number);
  });
});
for (const id of ["choose", "choose-folder"]) {
  element(id).addEventListener("change", async (event) => {
    const suffixes = element("choose").accept.split(",").filter((each) => each.startsWith("."));
    const files = [...event.target.files];
    await bringAll(id === "choose" ? files : inOrder(files.filter((each) => suffixes.some((suffix) => each.name.toLowerCase().endsWith(suffix)))));
    event.target.value = "";
  });
}
const inOrder = (files) => files.sort((a, b) => a.name.localeCompare(b.name, undefined, { numeric: true }));

addEventListener("dragover", (event) => {
  event.preventDefault();
  document.body.classList.add("over");
});
addEventListener("dragleave", (event) => event.relatedTarget ?? document.body.classList.remove("over"));
addEventListener("drop", async (event) => {
  event.preventDefault();
  document.body.classList.remove("over");
  const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  const direct = [...event.dataTransfer.files];
  await bringAll(entries.some((entry) => entry.isDirectory) ? await within(entries) : direct);
});

// The files of dropped folders, but not of folders inside them.
async function within(entries) {
  const found = [];
  for (const entry of entries) {
    if (entry.isFile) found.push(await new Promise((done, failed) => entry.file(done, failed)));
    else {
      const reader = entry.createReader(), inside = [];
      for (let some = [0]; some.length; ) inside.push(...(some = await new Promise((done, failed) => reader.readEntries(done, failed))));
      const files = inside.filter((each) => each.isFile);
      found.push(...inOrder(await Promise.all(files.map((each) => new Promise((done, failed) => each.file(done, failed))))));
    }
  }
  return found;
}

document.querySelector(".choices").addEventListener("change", () => act(async () => {
  const names = [...document.querySelectorAll('input[name="profile"]:checked')].map((each) => each.value);
  await send("profiles/chosen", { names });
}));
profiles(element, async (name) => {
  const choices = document.querySelector(".choices");
  if ([...choices.querySelectorAll("input")].some((each) => each.value === name)) return poll();
  const label = choices.querySelector("label").cloneNode(true), [box, words] = [label.querySelector("input"), label.querySelector("b")];
  box.value = words.textContent = name;
  box.checked = false;
  label.querySelector(".grey").textContent = "";
  choices.append(label);
  element("profile").append(new Option(name));
});

// Playing, and moving about

element("play").addEventListener("click", () => (sound.playing ? sound.stop() : sound.play()));
element("level").addEventListener("input", (event) => {
  sound.level_db = Number(event.target.value);
  element("level-shown").textContent = decibels(sound.level_db);
  sound.weigh();
});
element("as-played").addEventListener("change", () => {
  if (!pairing) sound.gains_db = [0, Number(element("as-played").value)];
  sound.weigh();
});
element("place").addEventListener("input", (event) => curves.look((event.target.value / 10000) * (file.duration_s - curves.span), curves.span));
element("closer").addEventListener("click", () => curves.zoom(0.5));
element("wider").addEventListener("click", () => curves.zoom(2));
element("all").addEventListener("click", () => curves.all());
element("before").addEventListener("click", () => jump(-1));
element("after").addEventListener("click", () => jump(1));
document.addEventListener("click", (event) => {
  const button = event.target.closest("button.hear");
  if (button && file) hear(Number(button.dataset.at));
});

// A place, from two seconds before it.
function hear(at) {
  const from = Math.max(0, at - BEFORE_S);
  if (at < curves.start || at > curves.start + curves.span || curves.span > 60) curves.look(from - 1, Math.min(curves.span, 10));
  sound.play(Math.round(from * sound.rate));
}

function jump(way) {
  const now = here(), found = way > 0 ? places.find((each) => each.at > now + 0.0005) : places.findLast((each) => each.at < now - 0.0005);
  if (!found) return;
  element("mark").textContent = `${found.words}, ${clock(found.at)}`;
  if (found.at < curves.start || found.at > curves.start + curves.span) curves.look(found.at - curves.span / 2, curves.span);
  go(found.at);
}

const shortcuts = {
  " ": () => (sound.playing ? sound.stop() : sound.play()),
  ArrowLeft: (event) => go(here() - (event.shiftKey ? 0.1 : 5)),
  ArrowRight: (event) => go(here() + (event.shiftKey ? 0.1 : 5)),
  "+": () => curves.zoom(0.5),
  "=": () => curves.zoom(0.5),
  "-": () => curves.zoom(2),
  0: () => curves.all(),
  n: () => jump(1),
  b: () => jump(-1),
  x: () => pairing && heard(sound.heard === behind("first") ? "second" : "first"),
  d: () => pairing && heard(sound.heard === "difference" ? "second" : "difference"),
};
document.addEventListener("keydown", (event) => {
  const inside = event.target === element("waveform");
  if (!file || event.ctrlKey || event.metaKey || event.altKey || (!inside && !element("keys-on").checked)) return;
  if (event.target.closest("input:not([type=checkbox]), select, textarea")) return;
  if (event.key === " " && event.target.closest("button, summary, a, input")) return;
  if (inside && event.key === "Enter") return shortcuts[" "]();
  const shortcut = shortcuts[event.key];
  if (!shortcut) return;
  event.preventDefault();
  shortcut(event);
});

element("end").addEventListener("click", () => act(async () => {
  sound.stop();
  await send("end");
  told("Ended. This page can be closed.");
  document.querySelector("main").hidden = document.querySelector("footer").hidden = true;
}));

poll();
