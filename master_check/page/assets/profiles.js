// A profile as text: what is wrong with it stands beside its line, while it is edited.

import { json, send } from "./server.js";

const PAUSE_MS = 250; // after the last change

export function profiles(element, saved) {
  const text = element("profile-text"), lines = element("profile-lines"), told = element("profile-told"), list = element("profile-faults");
  const notes = document.createElement("pre");
  notes.className = "notes";
  notes.ariaHidden = "true";
  text.after(notes);
  let waiting, turn = 0;

  element("profile-look").addEventListener("click", async () => {
    try {
      const found = await json(`profiles/${encodeURIComponent(element("profile").value)}`);
      text.value = found.text;
      element("profile-file").textContent = found.path;
      element("profile-name").value = element("profile").value;
      element("profile-edit").hidden = false;
      told.textContent = "";
      await judge();
    } catch (error) {
      told.textContent = error.message;
      element("profile-edit").hidden = false;
    }
  });

  async function judge() {
    const own = ++turn;
    const { faults } = await send("profiles/faults", { text: text.value });
    if (own !== turn) return;
    const count = text.value.split("\n").length, wrong = new Map();
    for (const { line, words } of faults) if (line) wrong.set(line, [...(wrong.get(line) ?? []), words]);
    lines.replaceChildren(...Array.from({ length: count }, (_, n) => {
      const number = document.createElement(wrong.has(n + 1) ? "b" : "span");
      number.textContent = n + 1;
      return [number, "\n"];
    }).flat());
    notes.textContent = Array.from({ length: count }, (_, n) => (wrong.get(n + 1) ?? []).join("; ")).join("\n");
    list.replaceChildren(...faults.map(({ line, words }) => {
      const item = document.createElement("li");
      item.textContent = line ? `line ${line}: ${words}` : words;
      return item;
    }));
    if (!faults.length) {
      const item = document.createElement("li");
      item.className = "none";
      item.textContent = list.dataset.none;
      list.append(item);
    }
    element("profile-save").disabled = faults.length > 0;
    scroll();
  }

  function scroll() {
    lines.scrollTop = notes.scrollTop = text.scrollTop;
  }

  text.addEventListener("scroll", scroll);
  text.addEventListener("input", () => {
    clearTimeout(waiting);
    waiting = setTimeout(() => judge().catch((error) => (told.textContent = error.message)), PAUSE_MS);
  });
  element("profile-save").addEventListener("click", async () => {
    const name = element("profile-name").value.trim();
    // A profile names itself; saved under another name, it takes that one.
    const named = text.value.replace(/^(\s*name\s*=\s*)(["']).*?\2/m, (_, head) => head + JSON.stringify(name));
    try {
      const { path } = await send("profiles/save", { name, text: named, replace: element("profile-replace").checked });
      text.value = named;
      told.textContent = `saved: ${path}`;
      await saved(name);
    } catch (error) {
      told.textContent = error.message;
    }
  });
}
