// One way to change something: JSON by POST. Anything else the station refuses.
const HEADERS = { "Content-Type": "application/json", "X-Tallypan": "1" };

export async function send(path, body = {}, options = {}) {
  let reply;
  try {
    reply = await fetch(path, { method: "POST", headers: HEADERS, body: JSON.stringify(body), ...options });
  } catch {
    throw new Error("The station cannot be reached. Check the network.");
  }
  let content = {};
  try { content = await reply.json(); } catch { /* the status says enough */ }
  if (!reply.ok) throw new Error(content.text || `The station refused (${reply.status}).`);
  return content;
}

const box = document.getElementById("message");

export function say(text) {
  box.querySelector("p").textContent = text;
  box.hidden = false;
}

export function hush() { box.hidden = true; }

// Send, with the button out of reach meanwhile, and show what the station objects to.
export async function act(button, path, body) {
  if (button) button.disabled = true;
  try {
    const content = await send(path, body);
    hush();
    return content;
  } catch (error) {
    say(error.message);
    return null;
  } finally {
    if (button) button.disabled = false;
  }
}

if (box) box.querySelector("button").addEventListener("click", hush);
