/**
 * A circle on the ground as a line of many corners. Leaflet cuts lines off outside the map but not circles:
 * dots along a radio horizon of 350 km, close up, took 3 s a frame.
 */

const EARTH_RADIUS_M = 6_371_000;
const CORNERS = 720; // the line is off the circle by a 100,000th of its radius

/**
 * @param {number} latitude_deg @param {number} longitude_deg of the middle @param {number} radius_m
 * @returns {[number, number][]} latitudes and longitudes in degrees, the first again at the end
 */
export function ring(latitude_deg, longitude_deg, radius_m) {
  const [middle, arc] = [(latitude_deg * Math.PI) / 180, radius_m / EARTH_RADIUS_M];
  return Array.from({ length: CORNERS + 1 }, (_, n) => {
    const turn = (2 * Math.PI * n) / CORNERS;
    const sine = Math.sin(middle) * Math.cos(arc) + Math.cos(middle) * Math.sin(arc) * Math.cos(turn);
    const east = Math.atan2(Math.sin(turn) * Math.sin(arc) * Math.cos(middle), Math.cos(arc) - Math.sin(middle) * sine);
    return [(Math.asin(sine) * 180) / Math.PI, longitude_deg + (east * 180) / Math.PI];
  });
}
