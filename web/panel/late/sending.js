// Sends a file in parts. A broken connection loses nothing: sending continues after the part that the
// rig has.

const PART_bytes = 500_000;
const TRIES = 8;
const REST_ms = 1500;

const rest = (time_ms) => new Promise((done) => setTimeout(done, time_ms));

// A file's name as the library keeps it: small letters, digits and - before its ending.
export const slug = (text) => text.normalize("NFKD").replace(/[\u0300-\u036f]/g, "").toLowerCase().replace(/[^a-z0-9]+/g, "-").replace(/^-+|-+$/g, "").slice(0, 48);

export function fileName(stem, file) {
  const ending = file.name.toLowerCase().match(/\.[a-z0-9]{2,4}$/)?.[0] ?? "";
  return `${stem}${ending}`;
}

// tell(fraction, words) is called during sending. Returns the file's name in the library.
export async function sendFile(line, name, file, tell) {
  if (!file.size) throw new Error(`${file.name} is empty. Choose another file.`);
  const stamp = await stampOf(file);
  const path = `/api/library/uploads/${name}?stamp=${stamp}`;
  let at = await standing(line, path, 0); // for a page that was reloaded during the upload
  let tries = 0;
  while (true) {
    tell(at / file.size, `${Math.round((100 * at) / file.size)} % sent`);
    try {
      const part = file.slice(at, at + PART_bytes);
      const here = await put(line, `${path}&offset=${at}&total=${file.size}`, part);
      at = here.bytes;
      tries = 0;
      if (here.whole) break;
    } catch (error) {
      if (error.status && error.status !== 503) throw error; // refused, and the sentence gives the reason
      tries += 1;
      if (tries > TRIES) throw new Error("The connection broke too often. Press again to go on sending from there.");
      tell(at / file.size, "The connection broke; trying again …");
      await rest(REST_ms);
      at = await standing(line, path, at);
    }
  }
  tell(1, "sent");
  return name;
}

async function standing(line, path, at) {
  try {
    const here = await line.get(path);
    return here.whole ? 0 : here.bytes;
  } catch {
    return at;
  }
}

// Distinguishes files of the same name: size, beginning and end of the content, by the FNV-1a hash
// (Fowler, Noll and Vo; RFC 9923).
async function stampOf(file) {
  const ends = await new Blob([file.slice(0, 65_536), file.slice(-65_536)]).arrayBuffer();
  let hash = 0x811c9dc5;
  for (const byte of new Uint8Array(ends)) hash = Math.imul(hash ^ byte, 0x01000193) >>> 0;
  return `${hash.toString(36)}${file.size.toString(36)}`.slice(0, 16);
}

export async function put(line, path, body) {
  const raw = body instanceof Blob;
  const answer = await fetch(path, {
    method: "PUT",
    headers: { "content-type": raw ? "application/octet-stream" : "application/json", "x-evenwall-csrf": line.me.csrf ?? "" },
    body: raw ? body : JSON.stringify(body),
  });
  const told = await answer.json().catch(() => ({}));
  if (answer.ok) return told;
  const error = new Error(typeof told.detail === "string" ? told.detail : "The rig could not take that.");
  error.status = answer.status;
  throw error;
}
