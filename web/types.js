/**
 * What the page is made of, for the editor and the type checker. The state itself is in `state.d.ts`,
 * which is made from the server's dataclasses: SI units, times as RFC 3339 in UTC, null is unknown.
 *
 * @typedef {import('./state.js').State} State
 * @typedef {import('./state.js').FlightState} FlightState
 * @typedef {import('./state.js').Landing} Landing
 *
 * The mission with the chosen flight's sections beside it, and that flight as `flight`:
 * @typedef {import('./state.js').Vehicle & {[Key in keyof import('./state.js').Way]:
 *   import('./state.js').Way[Key] | null}} Vehicle with its way to the chosen flight's landing
 * @typedef {Omit<State, 'vehicles'> & FlightState & {vehicles: Vehicle[], flight: FlightState}} Shown
 * @typedef {{tracks: Record<string, any[][]>, fixes: Record<string, any[][]>, vehicles: Record<string, any[][]>,
 *   sensors: Record<string, {unit: string, points: [number, number | null][]}>}} History
 *
 * What every panel is given:
 * @typedef {{store: {state: Shown | null, history: History, track: () => any[][],
 *   choose: (name: string) => void, kept: {at_s: number, at_ms: number} | null}, clock: {now_s: () => number | null,
 *   hold: () => void},
 *   units: any, preferences: any, map: any,
 *   sound: ReturnType<typeof import('./sound.js').createSound>, post: (path: string, body: object) =>
 *   Promise<string | null>, whereIs: (place: {latitude_deg: number, longitude_deg: number}) =>
 *   {from: string, range_m: number | null, bearing_deg: number | null},
 *   ready: {grade: 'green' | 'amber' | 'red', open: string[]} | null}} Context
 */
export {};
