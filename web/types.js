/**
 * The messages of server/screen/messages.py, for the editor and the type checker. SI units; times are
 * RFC 3339 texts in UTC; null is unknown.
 *
 * @typedef {{name: string, launch_time: string | null, launch_latitude_deg: number | null,
 *   launch_longitude_deg: number | null, launch_altitude_m: number | null,
 *   lift?: string | null, units?: 'metric' | 'aviation'}} Flight
 * @typedef {{kind: string, time: string, altitude_m: number | null, latitude_deg: number | null,
 *   longitude_deg: number | null, text: string}} FlightEvent
 * @typedef {{time: string, latitude_deg: number, longitude_deg: number, altitude_m: number | null,
 *   climb_ms: number | null, ground_speed_ms: number | null, course_deg: number | null,
 *   sigma_h_m: number | null, sigma_v_m: number | null, height_above_ground_m: number | null,
 *   based_on: string[]}} Track
 * @typedef {{type: 'Polygon', coordinates: [number, number][][]}} Polygon
 * @typedef {{type: 'Feature', properties: {name: string}, geometry: Polygon |
 *   {type: 'MultiPolygon', coordinates: [number, number][][][]}}} AvoidArea
 * @typedef {{time: string, altitude_m: number | null,
 *   height_above_ground_m: number | null}} ContactLost
 * @typedef {{time: string, time_early: string | null, time_late: string | null,
 *   latitude_deg: number, longitude_deg: number, altitude_m: number | null,
 *   search_area: {p50: Polygon, p90: Polygon} | null, radius_90_m: number | null, as_of: string,
 *   basis: 'prediction' | 'last contact' | 'landed fix', text: string,
 *   path: [string, number, number, number | null][], fall_speed_sea_level_ms: number | null,
 *   contact_lost: ContactLost | null,
 *   contacts?: {receiver: string, lowest_altitude_m: number, lost: ContactLost | null}[],
 *   avoid?: {name: string, chance: number}[] | null}} Landing
 * @typedef {{name: string, label: string, role: 'main' | 'backup' | 'phone',
 *   state: 'reporting' | 'late' | 'silent' | 'stuck' | 'never heard' | 'waiting', text: string,
 *   last_heard: string | null, last_fix_time: string | null, last_latitude_deg: number | null,
 *   last_longitude_deg: number | null, last_altitude_m: number | null, interval_s: number | null,
 *   heard: number, missed: number | null, copies: number, fixes: number, rejected: number,
 *   reject_reason: string | null, last_packet: string | null, last_path: string | null,
 *   direct: boolean | null, battery_percent: number | null, voltage_v: number | null,
 *   heard_by: {name: string, packets: number}[], distance_m: number | null,
 *   bearing_deg: number | null}} Tracker
 * @typedef {{name: string, last_heard: string | null, latitude_deg: number | null,
 *   longitude_deg: number | null, altitude_m: number | null, packets: number}} Station
 * @typedef {{name: string, own: boolean, source: string | null, time: string | null,
 *   latitude_deg: number | null, longitude_deg: number | null, speed_ms: number | null,
 *   course_deg: number | null, distance_m: number | null, bearing_deg: number | null,
 *   road_distance_m: number | null, drive_s: number | null, arrives: string | null,
 *   arrives_before_landing_s: number | null}} Vehicle
 * @typedef {{tracker: string, quantity: string, value: number | null, unit: string,
 *   time: string}} Sensor
 * @typedef {{id: string, kind: string, severity: 'info' | 'warning' | 'urgent', time: string,
 *   text: string, acknowledged: boolean}} Alarm
 * @typedef {{name: string, kind: string, state: 'connecting' | 'open' | 'quiet' | 'failed' |
 *   'waiting' | 'off', reason: string | null, since: string | null, receptions: number}} Source
 * @typedef {{speed: number, paused: boolean, position: string, start: string, end: string,
 *   log: string}} Replay
 * @typedef {{now: string, number: number, mode: 'live' | 'replay' | 'rehearsal', flight: Flight,
 *   phase: 'unknown' | 'ground' | 'ascent' | 'float' | 'descent' | 'landed',
 *   phase_probability: Record<string, number>, events: FlightEvent[],
 *   said?: {said: string, time: string, station: string} | null, track: Track | null,
 *   landing: Landing | null, trackers: Tracker[], stations: Station[], vehicles: Vehicle[],
 *   sensors: Sensor[], alarms: Alarm[], receptions: {total: number, undecodable: number,
 *   rejected: number, copies: number}, sources: Source[], plan_problems: string[],
 *   cautions: string[], replay: Replay | null, avoid?: AvoidArea[] | null}} State
 * @typedef {{track: any[][], fixes: Record<string, any[][]>, vehicles: Record<string, any[][]>,
 *   sensors: Record<string, {unit: string, points: [number, number | null][]}>}} History
 *
 * What every panel is given:
 * @typedef {{store: {state: State | null, history: History}, clock: {now_s: () => number | null,
 *   hold: () => void},
 *   units: any, preferences: any, map: any,
 *   sound: ReturnType<typeof import('./sound.js').createSound>, post: (path: string, body: object) =>
 *   Promise<string | null>, whereIs: (place: {latitude_deg: number, longitude_deg: number}) =>
 *   {from: string, range_m: number | null, bearing_deg: number | null}}} Context
 */
export {};
