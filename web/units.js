/** From the wire's SI to what the crew reads: metric; feet, nautical miles and knots; feet, miles and mph. */

const FOOT_M = 0.3048;
const MILE_M = 1609.344;
const NAUTICAL_MILE_M = 1852;
const NB = '\u00a0';
const MINUS = '\u2212';

/** `11,240`, with a true minus sign. */
export function figure(value, decimals = 0) {
  const text = Math.abs(value).toLocaleString('en-US', {
    minimumFractionDigits: decimals,
    maximumFractionDigits: decimals,
  });
  const isZero = Number(Math.abs(value).toFixed(decimals)) === 0;
  return value < 0 && !isZero ? `${MINUS}${text}` : text;
}

/** @type {Record<string, any>} */
const SYSTEMS = {
  metric: {
    name: 'metric',
    title: 'Metric',
    altitudeUnit: 'm',
    altitudeValue: (m) => m,
    altitude: (m) => `${figure(Math.round(m / 10) * 10)}${NB}m`,
    climbUnit: 'm/s',
    climbValue: (ms) => ms,
    climb: (ms) => `${figure(ms, 1)}${NB}m/s`,
    speedUnit: 'km/h',
    speedValue: (ms) => ms * 3.6,
    speed: (ms) => `${figure(ms * 3.6)}${NB}km/h`,
    distance(m) {
      if (m < 1000) return `${figure(Math.round(m / 10) * 10)}${NB}m`;
      return `${figure(m / 1000, m < 100_000 ? 1 : 0)}${NB}km`;
    },
    degreesC: (value) => [value, '°C', 1],
    scale: { unit: 'km', size_m: 1000, small: 'm', smallSize_m: 1, smallBelow_m: 1000 },
  },
  us: {
    name: 'ft mi mph',
    title: 'Feet, miles, mph',
    altitudeUnit: 'ft',
    altitudeValue: (m) => m / FOOT_M,
    altitude: (m) => `${figure(Math.round(m / FOOT_M / 10) * 10)}${NB}ft`,
    climbUnit: 'ft/min',
    climbValue: (ms) => (ms / FOOT_M) * 60,
    climb: (ms) => `${figure(Math.round((ms / FOOT_M) * 6) * 10)}${NB}ft/min`,
    speedUnit: 'mph',
    speedValue: (ms) => (ms * 3600) / MILE_M,
    speed: (ms) => `${figure((ms * 3600) / MILE_M)}${NB}mph`,
    distance(m) {
      if (m < 0.2 * MILE_M) return `${figure(Math.round(m / FOOT_M / 10) * 10)}${NB}ft`;
      return `${figure(m / MILE_M, m < 100 * MILE_M ? 1 : 0)}${NB}mi`;
    },
    degreesC: (value) => [value * 1.8 + 32, '°F', 1],
    scale: { unit: 'mi', size_m: MILE_M, small: 'ft', smallSize_m: FOOT_M, smallBelow_m: MILE_M / 2 },
  },
};

/** As in the air: what differs from feet and miles. */
SYSTEMS.nautical = {
  ...SYSTEMS.us,
  name: 'ft NM kt',
  title: 'Feet, nautical miles, knots',
  speedUnit: 'kt',
  speedValue: (ms) => (ms * 3600) / NAUTICAL_MILE_M,
  speed: (ms) => `${figure((ms * 3600) / NAUTICAL_MILE_M)}${NB}kt`,
  distance(m) {
    if (m < 0.2 * NAUTICAL_MILE_M) return `${figure(Math.round(m / FOOT_M / 10) * 10)}${NB}ft`;
    return `${figure(m / NAUTICAL_MILE_M, m < 100 * NAUTICAL_MILE_M ? 1 : 0)}${NB}NM`;
  },
  degreesC: SYSTEMS.metric.degreesC,
  scale: { unit: 'NM', size_m: NAUTICAL_MILE_M, small: 'ft', smallSize_m: FOOT_M, smallBelow_m: NAUTICAL_MILE_M / 2 },
};

/** The systems a reader may choose, in the order of the button. */
export const SYSTEM_NAMES = ['metric', 'nautical', 'us'];
export const systemNamed = (name) => SYSTEMS[name];

/** @param {{get: (name: string) => any}} preferences */
export function createUnits(preferences) {
  const system = () => SYSTEMS[preferences.get('units')];
  return {
    system,
    altitude: (m) => system().altitude(m),
    climb: (ms) => system().climb(ms),
    speed: (ms) => system().speed(ms),
    distance: (m) => system().distance(m),
    /** A sensor's value as shown, the unit's name, and the decimals. */
    sensorParts: (value, unit) => sensorUnit(value, unit, system()),
    /** A sensor's value with its unit; a unit that is not known is shown as it came. */
    sensor(value, unit) {
      if (value === null) return 'no value';
      const [shown, name, decimals] = sensorUnit(value, unit, system());
      return name === '' ? figure(shown, decimals) : `${figure(shown, decimals)}${NB}${name}`;
    },
  };
}

function sensorUnit(value, unit, system) {
  switch (unit) {
    case 'degC':
      return system.degreesC(value);
    case 'Pa':
      return [value / 100, 'hPa', 1];
    case 'hPa':
      return [value, 'hPa', 1];
    case '%':
      return [value, '%', 0];
    case 'V':
      return [value, 'V', 2];
    default:
      return [value, unit, Number.isInteger(value) ? 0 : 2];
  }
}
