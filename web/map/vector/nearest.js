/** The road nearest to a place of a prepared tile, with the name and number that run along it. */

/**
 * @param {import('./prepare.js').Prepared} tile @param {number} x @param {number} y
 * @param {number} within all in units of the tile
 * @returns {{type: string, name: string, number: string} | null}
 */
export function roadNear({ roads, named }, x, y, within) {
  let best = null;
  for (const { type, parts } of roads) {
    const off = offLine(parts, x, y, best?.off ?? within);
    if (off !== null) best = { type, off };
  }
  if (best === null) return null;
  const along = (kind) => {
    let found = { text: '', off: best.off + 0.25 * within };
    for (const { label, type, parts } of named) {
      if (label.kind !== kind || type !== 2) continue;
      const off = offLine(parts, x, y, found.off);
      if (off !== null) found = { text: label.text, off };
    }
    return found.text;
  };
  return { type: best.type, name: along('street'), number: along('shield') };
}

/** The distance of a place from lines, or null when it is not below `least`. */
function offLine(parts, x, y, least) {
  let best = null;
  for (const part of parts) {
    for (let n = 0; n + 3 < part.length; n += 2) {
      const [ax, ay] = [part[n], part[n + 1]];
      const [dx, dy] = [part[n + 2] - ax, part[n + 3] - ay];
      const length = dx * dx + dy * dy;
      const t = length === 0 ? 0 : Math.min(Math.max(((x - ax) * dx + (y - ay) * dy) / length, 0), 1);
      const off = Math.hypot(x - ax - t * dx, y - ay - t * dy);
      if (off < (best ?? least)) best = off;
    }
  }
  return best;
}
