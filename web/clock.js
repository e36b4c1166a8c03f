/**
 * The time that the page shows. Live, it is the station's time carried on by this machine's
 * steady clock, also when the station is lost; in a replay it runs at the replay's speed.
 */

/** @param {{now: () => number}} [steady] milliseconds from any start */
export function createClock(steady = performance) {
  let anchor = null;
  const listeners = new Set();

  return {
    /** Takes the time of a message. @param {string} time @param {number} rate seconds a second */
    set(time, rate) {
      anchor = { at_s: seconds(time), from_ms: steady.now(), rate };
    },
    /** Stops a replay's time where it stands; live time cannot be stopped. */
    hold() {
      if (anchor !== null) anchor = { at_s: this.now_s(), from_ms: steady.now(), rate: 0 };
    },
    /** UTC seconds, or null before the first message. */
    now_s() {
      if (anchor === null) return null;
      return anchor.at_s + ((steady.now() - anchor.from_ms) / 1000) * anchor.rate;
    },
    onTick(listener) {
      listeners.add(listener);
    },
    start() {
      setInterval(() => {
        for (const listener of listeners) listener();
      }, 1000);
    },
  };
}

/**
 * UTC seconds of an RFC 3339 time; null stays null.
 * @overload @param {string} time @returns {number}
 */
/**
 * @overload @param {string | null | undefined} time @returns {number | null}
 */
/** @param {string | null | undefined} time */
export function seconds(time) {
  return time === null || time === undefined ? null : Date.parse(time) / 1000;
}
