// Asking the server: what it refuses comes as an error with its words.

async function asked(name, options) {
  let answer;
  try {
    answer = await fetch(name, options);
  } catch {
    throw new Error("sendoff has ended; start it again");
  }
  if (answer.ok) return answer;
  const type = answer.headers.get("Content-Type") ?? "";
  throw new Error(type.includes("json") ? (await answer.json()).error : (await answer.text()).trim());
}

export const json = async (name) => (await asked(name)).json();
export const text = async (name) => (await asked(name)).text();
export const send = async (name, body = {}) => (await asked(name, { method: "POST", body: JSON.stringify(body) })).json();
export const bring = async (file) =>
  (await asked(`files?name=${encodeURIComponent(file.name)}`, { method: "POST", body: file })).json();
