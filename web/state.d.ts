// Made by `python -m server.screen.generate` from server/flight/*state.py. Do not edit.

/**
 * From its rise (`time`) to its end (`until`). `id` names the occurrence, so it can be acknowledged.
 *
 * `acknowledged_by`: on which station's screen, `acknowledged_person`: who, as their device says; "" where
 * none is named. `facts` are its numbers, with
 * units in their names.
 */
export interface Alarm {
  id: string;
  kind: string;
  severity: 'info' | 'warning' | 'urgent';
  flight: string;
  time: string;
  until: string | null;
  acknowledged: boolean;
  acknowledged_by: string;
  acknowledged_person: string;
  facts: Record<string, number | string>;
}

export interface AreaProperties {
  name: string;
}

/**
 * A GeoJSON Feature: ground that nobody wants to land on, by the plan.
 */
export interface AvoidArea {
  properties: AreaProperties;
  geometry: Polygon | MultiPolygon;
  type: 'Feature';
}

/**
 * `chance`: the share of the ensemble that comes down in it, 0 to 1.
 */
export interface AvoidChance {
  name: string;
  chance: number;
}

/**
 * Degrees of true north. `reflected`: the chance that it tells nothing, after all evidence.
 */
export interface BearingNoted {
  id: string;
  by: string;
  time: string;
  latitude_deg: number;
  longitude_deg: number;
  bearing_deg: number;
  sureness: 'sharp' | 'broad' | 'ahead';
  reflected: number | null;
}

/**
 * Somebody goes there, or (`can` False) cannot, and why.
 */
export interface ClaimNoted {
  id: string;
  by: string;
  time: string;
  can: boolean;
  note: string;
}

/**
 * One receiver's: below `lowest_altitude_m` a payload over the landing point is out of its sight.
 *
 * `lost` None: contact holds to the ground. The launch site hears as "" where no car carries the station.
 */
export interface Contact {
  receiver: string;
  lowest_altitude_m: number;
  lost: ContactLost | null;
}

export interface ContactLost {
  time: string;
  altitude_m: number;
  height_above_ground_m: number;
}

/**
 * What happened and where; `noticed`: time of the fix that showed it.
 */
export interface Event {
  kind: 'launch' | 'float' | 'sink' | 'burst' | 'landing';
  time: string;
  altitude_m: number;
  latitude_deg: number;
  longitude_deg: number;
  noticed: string;
}

/**
 * Where it should be at `time` while it falls unheard: worked out, not measured.
 */
export interface ExpectedNow {
  time: string;
  latitude_deg: number;
  longitude_deg: number;
  altitude_m: number;
  sigma_h_m: number;
}

/**
 * A fall that is not the planned one, or not the one before, and what that does to the landing.
 */
export interface FallDeviation {
  against: 'plan' | 'before';
  ratio: number;
  since_altitude_m: number | null;
  later_s: number;
  away_m: number;
  side: 'short' | 'beyond' | 'aside';
}

/**
 * One flight of the mission.
 */
export interface FlightState {
  name: string;
  phase: 'unknown' | 'ground' | 'ascent' | 'float' | 'descent' | 'landed';
  phase_probability: Record<string, number>;
  said: Said | null;
  launch: Launch;
  lift: Lift | null;
  events: Event[];
  track: Track | null;
  landing: Landing | null;
  moved: Moved | null;
  outlook: OutlookHour[];
  ways: Way[];
  trackers: Tracker[];
  sensors: Sensor[];
  search: Search;
}

export interface FoundNoted {
  id: string;
  by: string;
  time: string;
  latitude_deg: number;
  longitude_deg: number;
  note: string;
  photo: string | null;
}

/**
 * By which way the last packet came: one of our sources, digipeaters, or an internet gateway.
 */
export interface Heard {
  source: string;
  repeated_by: string[];
  fed_by: string;
  direct: boolean;
}

export interface HeardBy {
  name: string;
  packets: number;
}

/**
 * The landing point with its areas and times (5 % come down before `time_early`, 5 % after `time_late`).
 *
 * `as_of`: time of the fix that it rests on; the phase and heights are of that moment.
 */
export interface Landing {
  time: string;
  time_early: string;
  time_late: string;
  latitude_deg: number;
  longitude_deg: number;
  altitude_m: number;
  search_area: SearchArea;
  radius_90_m: number;
  as_of: string;
  as_of_phase: 'unknown' | 'ground' | 'ascent' | 'float' | 'descent' | 'landed';
  as_of_altitude_m: number;
  as_of_height_above_ground_m: number;
  basis: 'prediction' | 'last contact' | 'landed fix';
  path: [string, number, number, number][];
  fall_speed_sea_level_ms: number | null;
  sink_ms: number | null;
  fall: FallDeviation | null;
  rest: RestSeen | null;
  winds: WindSource[];
  background: WindBackground | null;
  contacts: Contact[];
  avoid: AvoidChance[];
}

/**
 * Planned, until one was seen.
 */
export interface Launch {
  time: string | null;
  latitude_deg: number | null;
  longitude_deg: number | null;
  altitude_m: number | null;
}

/**
 * Worked out; the maker's table and a licensed or experienced hand decide.
 */
export interface Lift {
  gas_volume_m3: number;
  gross_lift_kg: number;
  neck_lift_kg: number;
  free_lift_kg: number;
  ascent_rate_ms: number;
  ascent_rate_sigma_ms: number;
  burst_altitude_m: number | null;
  burst_altitude_sigma_m: number;
}

/**
 * A drive there, listening all the way: the chance that a packet is heard by its end.
 *
 * `within_s`: it takes so long, with `stop_s` at the place (ground's height `ground_m`); `then`: where
 * it goes on, latitude and longitude.
 */
export interface ListenHere {
  latitude_deg: number;
  longitude_deg: number;
  ground_m: number;
  chance: number;
  within_s: number;
  stop_s: number;
  then: [number, number][];
  chance_in_an_hour: number;
}

/**
 * Before the launch: the predicted landing against that of an outlook, made at `since`.
 *
 * `launch_time`: the hour that the outlook was asked for; `bearing_deg`: from its landing to this one.
 */
export interface Moved {
  since: string;
  launch_time: string;
  distance_m: number;
  bearing_deg: number;
  radius_90_m: number;
}

export interface MultiPolygon {
  coordinates: [number, number][][][];
  type: 'MultiPolygon';
}

/**
 * Before the launch: what the latest outlook said of one launch hour. `verdict`: by the plan's limits.
 */
export interface OutlookHour {
  made: string;
  launch_time: string;
  lands: string | null;
  latitude_deg: number;
  longitude_deg: number;
  radius_90_m: number;
  verdict: string;
}

/**
 * A GeoJSON Polygon (RFC 7946): closed rings of [longitude, latitude].
 */
export interface Polygon {
  coordinates: [number, number][][];
  type: 'Polygon';
}

/**
 * `detail`: what the system, a file or a person said; it is shown and never read by code.
 */
export interface Problem {
  kind: ProblemKind;
  name: string | null;
  count: number | null;
  ahead_s: number | null;
  distance_m: number | null;
  time: string | null;
  detail: string | null;
}

/**
 * What is wrong with what was heard, with the clocks, or with this station itself.
 */
export type ProblemKind = 'own_clock' | 'other_clock' | 'own_clock_behind' | 'undated' | 'later_than_now' | 'times_ahead' | 'times_behind' | 'far_from_launch' | 'swapped' | 'unusable' | 'journal_read' | 'journal_refuses' | 'journal_elsewhere' | 'disk_fills' | 'landing_failed' | 'forecast_unused' | 'winds_unused' | 'map_unused' | 'roads_read' | 'roads_unused' | 'pack_unused' | 'journal_damaged' | 'journal_unsaved' | 'entries_altered' | 'not_closed' | 'name_twice' | 'clock_set_back' | 'plan_edited' | 'plan_unusable' | 'requests_cut' | 'readers_cut' | 'task_failed';

export interface Receptions {
  total: number;
  undecodable: number;
  rejected: number;
  copies: number;
}

/**
 * `off_m`: how far from the track (altitude: positive above it); for `never_flew`, how far below;
 * for `swapped`, how far from the launch it would be.
 */
export interface Rejection {
  kind: RejectionKind;
  off_m: number | null;
  against: string[];
  pressure_off_m: number | null;
}

/**
 * Why a fix, or its altitude alone, was not used.
 */
export type RejectionKind = 'off_earth' | 'no_fix' | 'null_island' | 'swapped' | 'never_flew' | 'two_transmit' | 'frozen' | 'stuck' | 'position_off' | 'altitude_off' | 'against_pressure' | 'not_computable';

export interface Replay {
  speed: number;
  paused: boolean;
  position: string;
  start: string;
  end: string;
  log: string;
}

/**
 * Fixes on the ground: how many, how they scatter (1 sigma, both axes), and how far it went since.
 */
export interface RestSeen {
  fixes: number;
  scatter_m: number;
  carried_m: number | null;
}

/**
 * Where a car gets to for the landing point, and what is left; shares of the ensemble, 0 to 1.
 *
 * A point is beyond something when no road within a walk is on its side.
 */
export interface RoadEnd {
  latitude_deg: number;
  longitude_deg: number;
  walk_m: number;
  climb_m: number | null;
  walk_s: number;
  walk_90_m: number;
  beyond_water: number;
  beyond_motorway: number;
  beyond_roads: number;
  unknown: number;
}

/**
 * A stretch of the way on one road. `turn_deg`: to get onto it, right positive; None at the start.
 */
export interface RoadTurn {
  name: string;
  ref: string;
  length_m: number;
  turn_deg: number | null;
  roundabout: boolean;
  ferry: boolean;
  track: boolean;
  latitude_deg: number;
  longitude_deg: number;
}

/**
 * A car's way over the roads, from where it was at `from_time`, to the prediction of `as_of`.
 *
 * `drive_early_s`, `drive_late_s`: 5 and 95 % of the ensemble; `chance_before`: of being there before
 * it lands; `leave_by`: for nine chances in ten. `line`: longitude, latitude.
 */
export interface RoadWay {
  from_time: string;
  as_of: string;
  off_road_m: number;
  drive_early_s: number;
  drive_median_s: number;
  drive_late_s: number;
  chance_before: number;
  leave_by: string | null;
  track_m: number;
  turns: RoadTurn[];
  line: [number, number][];
  end: RoadEnd;
  wait: Waiting | null;
  wait_worst: Waiting | null;
  wait_together: Waiting | null;
}

/**
 * What a crew member said of the phase, the last that was not withdrawn.
 */
export interface Said {
  said: 'not launched' | 'launched' | 'landed';
  time: string;
  station: string;
}

/**
 * `result` None: it is heard, or nothing was predicted yet.
 */
export interface Search {
  contact: 'never heard' | 'heard' | 'late' | 'lost as expected' | 'lost' | 'found';
  since: string | null;
  expected_now: ExpectedNow | null;
  result: SearchResult | null;
  bearings: BearingNoted[];
  searched: SearchedNoted[];
  found: FoundNoted | null;
  claims: ClaimNoted[];
}

/**
 * Where it lies with a chance of 50 and of 90 %.
 */
export interface SearchArea {
  p50: Polygon;
  p90: Polygon;
}

/**
 * Where it lies by prediction, silence, bearings and searched ground, as of a moment.
 */
export interface SearchResult {
  as_of: string;
  p50: MultiPolygon;
  p90: MultiPolygon;
  area_90_m2: number;
  best_latitude_deg: number;
  best_longitude_deg: number;
  covered: number;
  effective_particles: number;
  ended: TrackerEnded[];
  listen: ListenHere | null;
  walk: WalkHere;
  walk_first: boolean;
  dark: string | null;
}

/**
 * Ground that was looked over: a line with a width of sight, or (closed) what lies within it.
 */
export interface SearchedNoted {
  id: string;
  by: string;
  time: string;
  path: [number, number][];
  closed: boolean;
  width_m: number;
  ground: 'open' | 'crops' | 'wood';
}

/**
 * Somebody else on the channel.
 */
export interface Sender {
  name: string;
  last_heard: string | null;
  latitude_deg: number | null;
  longitude_deg: number | null;
  altitude_m: number | null;
  packets: number;
}

export interface Sensor {
  tracker: string;
  quantity: string;
  value: number;
  unit: string;
  time: string;
}

/**
 * A source, or a link to another station; `reason` is the system's or the other side's own words.
 */
export interface Source {
  name: string;
  kind: string;
  state: 'connecting' | 'open' | 'quiet' | 'failed' | 'waiting' | 'off';
  reason: string | null;
  since: string;
  receptions: number;
}

/**
 * `number`: receptions taken in so far. `units`: the page's first ones, as the plan says.
 */
export interface State {
  now: string;
  number: number;
  mode: 'live' | 'replay' | 'rehearsal';
  station: string;
  units: 'metric' | 'aviation';
  flights: FlightState[];
  vehicles: Vehicle[];
  unplaced: UnplacedVehicle[];
  senders: Sender[];
  alarms: Alarm[];
  sources: Source[];
  links: Source[];
  receptions: Receptions;
  problems: Problem[];
  avoid: AvoidArea[];
  replay: Replay | null;
}

/**
 * The latest fused position. Sigmas are standard deviations, of each horizontal axis and of height.
 */
export interface Track {
  time: string;
  latitude_deg: number;
  longitude_deg: number;
  altitude_m: number;
  climb_ms: number;
  ground_speed_ms: number;
  course_deg: number;
  sigma_h_m: number;
  sigma_v_m: number;
  height_above_ground_m: number | null;
  based_on: string[];
}

/**
 * One tracker: its beacon, its last packet and fix, and what became of its fixes.
 */
export interface Tracker {
  name: string;
  label: string;
  role: 'main' | 'backup' | 'phone';
  state: 'reporting' | 'late' | 'silent' | 'stuck' | 'never heard' | 'waiting';
  last_heard: string | null;
  last_fix_time: string | null;
  last_latitude_deg: number | null;
  last_longitude_deg: number | null;
  last_altitude_m: number | null;
  last_height_above_ground_m: number | null;
  interval_s: number | null;
  heard: number;
  missed: number;
  copies: number;
  fixes: number;
  rejected: number;
  last_rejection: Rejection | null;
  last_packet: string | null;
  last_way: Heard | null;
  battery_percent: number | null;
  satellites: number | null;
  voltage_v: number | null;
  heard_by: HeardBy[];
  distance_m: number | null;
  bearing_deg: number | null;
}

/**
 * The chance that a tracker has ended.
 */
export interface TrackerEnded {
  tracker: string;
  chance: number;
}

/**
 * A car of the plan of which no position is known yet; the crew can give it one.
 */
export interface UnplacedVehicle {
  name: string;
  own: boolean;
}

/**
 * A car's latest position. `flight`: whose landing it drives to; "" any. Its ways stand there.
 */
export interface Vehicle {
  name: string;
  own: boolean;
  flight: string;
  source: string;
  time: string;
  latitude_deg: number;
  longitude_deg: number;
  speed_ms: number | null;
  course_deg: number | null;
}

/**
 * Why a place to wait at is not the one before.
 */
export type WaitMove = 'first' | 'area' | 'sooner' | 'unreachable';

/**
 * A place on the roads to wait at. Seconds from the landing until the car is at the box's road.
 *
 * `wins_s`: against waiting in the middle of the area; None: that is no place for a car. `gain_s` and
 * `area_moved_m`: what the last move won, and how far the area had gone since the place before.
 */
export interface Waiting {
  latitude_deg: number;
  longitude_deg: number;
  name: string;
  ref: string;
  mean_s: number;
  worst_s: number;
  wins_s: number | null;
  drive_s: number;
  since: string;
  moved: WaitMove;
  gain_s: number | null;
  area_moved_m: number | null;
}

/**
 * A stretch about a place that one person looks over in an hour, and the chance to find it there.
 */
export interface WalkHere {
  latitude_deg: number;
  longitude_deg: number;
  width_m: number;
  length_m: number;
  chance: number;
}

/**
 * A car's way to the landing point. `bearing_deg` and `distance_m`: straight.
 *
 * `road` None: no roads are known, and road distance and time are by the straight line.
 */
export interface Way {
  vehicle: string;
  distance_m: number;
  bearing_deg: number;
  road_distance_m: number;
  drive_s: number;
  arrives: string;
  arrives_before_landing_s: number;
  no_road: boolean;
  road: RoadWay | null;
}

/**
 * What the wind is taken for where nobody has measured it: a forecast, or the season's westerlies.
 *
 * `run`: when the forecast's last model run began; None: it does not tell.
 */
export interface WindBackground {
  kind: 'forecast' | 'season';
  run: string | null;
}

/**
 * Whose winds the landing rests on: `name` "" is the flight itself, up to where it has been.
 *
 * `time`: of its last value. `distance_m`: from the payload to the nearest of its values.
 */
export interface WindSource {
  name: string;
  time: string;
  top_altitude_m: number;
  distance_m: number;
}
