/** What a reader chose, kept on this device where the browser allows it. */

/** @template Value @param {string} name @param {Value} otherwise @returns {Value} */
export function kept(name, otherwise) {
  try {
    return JSON.parse(localStorage.getItem(`leeward.${name}`) ?? 'null') ?? otherwise;
  } catch {
    return otherwise;
  }
}

export function keep(name, value) {
  try {
    localStorage.setItem(`leeward.${name}`, JSON.stringify(value));
  } catch {
    // kept for this page only
  }
}
