// One way to change something: JSON by POST. Anything else the station refuses.
const HEADERS = { "Content-Type": "application/json", "X-Tallypan": "1" };

export async function send(path, body = {}, options = {}) {
  let reply;
  const text = JSON.stringify(body);
  try {
    // Whoever taps and leaves the page at once has still said it; browsers keep alive no more than 64 KiB.
    const keepalive = !options.body && text.length < 60_000;
    reply = await fetch(path, { method: "POST", headers: HEADERS, body: text, keepalive, ...options });
  } catch {
    throw new Error("The station cannot be reached. Check the network.");
  }
  let content = {};
  try { content = await reply.json(); } catch { /* the status says enough */ }
  if (!reply.ok) throw Object.assign(new Error(content.text || `The station refused (${reply.status}).`), { status: reply.status });
  return content;
}

const box = document.getElementById("message");

export function say(text) {
  box.querySelector("p").textContent = text;
  box.hidden = false;
}

export function hush() { box.hidden = true; }

// Send, with the button out of reach meanwhile, and show what the station objects to.
// options: what fetch takes, and refused(text, status) to show an objection elsewhere.
export async function act(button, path, body, { refused = say, ...options } = {}) {
  if (button) button.disabled = true;
  try {
    const content = await send(path, body, options);
    hush();
    return content;
  } catch (error) {
    refused(error.message, error.status);
    return null;
  } finally {
    if (button) button.disabled = false;
  }
}

// A file goes as it is, under its own type.
export const upload = (button, path, file) =>
  act(button, path, {}, { headers: { ...HEADERS, "Content-Type": file.type }, body: file });

// The station answers when an entry is on disk, and pages are drawn from there.
export const reload = () => location.reload();

// The drained fluid's condition, as its form has it.
export const condition = ({ elements }) => ({
  colour: elements.colour.value, smell: elements.smell.value, metal: elements.metal.value,
  milky: elements.milky.checked, note: elements.note.value,
});

if (box) box.querySelector("button").addEventListener("click", hush);
