/** Of how much of the landing's 90 % area this station has the height of the ground: asked at some of its corners. */

const CORNERS = 8;

/**
 * @param {() => void} changed when an answer has come
 * @returns {(landing: import('../state.js').Landing) => number | null} the share, 0 to 1; null: not known yet
 */
export function groundKnown(changed) {
  let asked = '';
  /** @type {number | null} */
  let share = null;

  async function ask(places) {
    const replies = await Promise.all(
      places.map(([lon, lat]) =>
        fetch(`/api/terrain?lat=${lat}&lon=${lon}`)
          .then((reply) => (reply.ok ? reply.json() : null))
          .catch(() => null),
      ),
    );
    const told = replies.filter((reply) => reply !== null);
    share = told.length === 0 ? null : told.filter(({ altitude_m }) => altitude_m !== null).length / told.length;
    changed();
  }

  return ({ latitude_deg, longitude_deg, search_area }) => {
    const about = `${latitude_deg.toFixed(1)} ${longitude_deg.toFixed(1)}`; // some kilometres
    if (about !== asked) {
      asked = about;
      const corners = search_area.p90.coordinates.flat();
      ask(corners.filter((_, n) => n % Math.ceil(corners.length / CORNERS) === 0));
    }
    return share;
  };
}
