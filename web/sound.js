/**
 * Alarms to the ear: tones, or tones and a voice. Off until a reader turns it on. An urgent alarm
 * is said again until somebody acknowledges it.
 */

const AGAIN_MS = 30_000;
const BEEP_S = 0.16;
const GAP_S = 0.1;
const LOUD = 0.35;
// Hz, one after another: urgent falls, a warning stands, a note rises softly
const TONES = { urgent: [988, 784, 988, 784], warning: [784, 784], info: [659, 784] };
const RANK = ['urgent', 'warning', 'info'];

/** @param {{get: (name: string) => any}} preferences */
export function createSound(preferences) {
  /** @type {AudioContext | null} */
  let context = null;
  let timer = 0;

  function beeps(severity) {
    if (typeof AudioContext === 'undefined') return;
    context ??= new AudioContext();
    context.resume();
    let at_s = context.currentTime + 0.02;
    for (const pitch of TONES[severity]) {
      const tone = context.createOscillator();
      const level = context.createGain();
      tone.frequency.value = pitch;
      level.gain.setValueAtTime(0, at_s);
      level.gain.linearRampToValueAtTime(severity === 'info' ? LOUD / 3 : LOUD, at_s + 0.02);
      level.gain.linearRampToValueAtTime(0, at_s + BEEP_S);
      tone.connect(level).connect(context.destination);
      tone.start(at_s);
      tone.stop(at_s + BEEP_S);
      at_s += BEEP_S + GAP_S;
    }
  }

  function say(severity, text) {
    const how = preferences.get('sound');
    if (how === 'off') return;
    if (navigator.userActivation?.hasBeenActive === false) {
      // browsers allow no sound before the first touch: what is due is said with it
      addEventListener('click', () => say(severity, text), { once: true });
      return;
    }
    beeps(severity);
    if (how === 'voice' && 'speechSynthesis' in globalThis) {
      speechSynthesis.speak(new SpeechSynthesisUtterance(text));
    }
  }

  return {
    /** @param {{severity: 'urgent' | 'warning' | 'info', text: string}[]} alarms those that are new */
    raise(alarms) {
      if (alarms.length === 0) return;
      const worst = RANK.find((rank) => alarms.some(({ severity }) => severity === rank));
      const text = alarms.map((alarm) => alarm.text).join(' ');
      say(worst, text);
      if (worst !== 'urgent') return;
      clearInterval(timer);
      timer = setInterval(() => say('urgent', text), AGAIN_MS);
    },
    /** Nothing urgent is left: no more repeating. */
    calm() {
      clearInterval(timer);
    },
    test: () => say('warning', 'This is a test of the alarm.'),
  };
}
