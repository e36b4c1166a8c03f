/** The panels at the side, in their order: those with a `place`. Do not edit.
 * Made by `python -m server.screen.generate`. */

import { place as pad } from 'leeward/panels/pad.js';
import { place as hours } from 'leeward/panels/hours.js';
import { place as search } from 'leeward/panels/search.js';
import { place as landing } from 'leeward/panels/landing.js';
import { place as way } from 'leeward/panels/way.js';
import { place as trackers } from 'leeward/panels/trackers.js';
import { place as vehicles } from 'leeward/panels/vehicles.js';
import { place as flight } from 'leeward/panels/flight.js';
import { place as sensors } from 'leeward/panels/sensors.js';
import { place as winds } from 'leeward/panels/winds.js';
import { place as settings } from 'leeward/panels/settings.js';
import { place as log } from 'leeward/panels/log.js';
import { place as sources } from 'leeward/panels/sources.js';

export const SIDE = [pad, hours, search, landing, way, trackers, vehicles, flight, sensors, winds, settings, log, sources];
