// Rules that the page could not tell the server, which ended or cannot be reached: the browser keeps
// them until a server takes them.

const key = (ident) => `unsent ${ident}`;
const isText = (value) => typeof value === "string";
const isDraft = (row) =>
  isText(row?.name) && isText(row.about) && Array.isArray(row.rules) && row.rules.every(isText);

/** `ident` tells the song from others at this address; `drafts` are [{ name, rules, about }]. */
export function keepUnsent(ident, drafts) {
  try {
    localStorage.setItem(key(ident), JSON.stringify(drafts));
  } catch {
    // A browser that keeps nothing has them on the page only.
  }
}

export function unsentOf(ident) {
  try {
    const kept = JSON.parse(localStorage.getItem(key(ident)) ?? "[]");
    return Array.isArray(kept) ? kept.filter(isDraft) : [];
  } catch {
    return [];
  }
}

export function forgetUnsent(ident) {
  try {
    localStorage.removeItem(key(ident));
  } catch {
    // as above
  }
}
