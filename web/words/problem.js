/** What is wrong, and what the crew can do about it. */

import { seconds } from 'leeward/clock.js';
import * as words from 'leeward/words.js';

/** @typedef {import('../state.js').Problem} Problem */

/** One or two sentences. @param {Problem} problem */
export function problemWords(problem) {
  const name = problem.name || 'a station without a name';
  return SENTENCES[problem.kind]({ ...problem, name, count: problem.count ?? 0, detail: problem.detail ?? '' });
}

/** Tells two problems apart, whatever their figures. @param {Problem} problem */
export const problemKey = ({ kind, name, detail }) => [kind, name, detail].join(' ');

const at = (time) => {
  const time_s = seconds(time);
  return `${words.clockTimeSeconds(time_s)} ${words.zone(time_s)}`;
};
const ended = (text) => text.replace(/\.?$/, '.');

/** `5 min 0 s ahead of`, `3 days 2 h 10 min behind`. */
function span(ahead_s) {
  const side = ahead_s > 0 ? 'ahead of' : 'behind';
  const whole = Math.round(Math.abs(ahead_s));
  const minutes = Math.floor(whole / 60);
  if (minutes < 120) return `${minutes} min ${whole % 60} s ${side}`;
  const hours = Math.floor(minutes / 60);
  const rest = `${hours % 24} h ${minutes % 60} min ${side}`;
  return hours < 24 ? rest : `${Math.floor(hours / 24).toLocaleString('en-US')} days ${rest}`;
}

/** @type {Record<string, (told: any) => string>} */
const SENTENCES = {
  own_clock: ({ ahead_s }) =>
    `This computer’s clock is ${span(ahead_s)} GPS time. The times shown are put right; set the clock.`,
  other_clock: ({ name, ahead_s }) =>
    `The clock of ${name} is ${span(ahead_s)} ours. The times of what it hears are put right; set its clock.`,
  own_clock_behind: () =>
    'All that other stations heard is later than now: this computer’s clock is behind. Set it.',
  undated: ({ name, count }) =>
    `The clock of ${name} shows another day, and nothing tells the time by it. Of ` +
    `${words.plural(count, 'packet')} nothing is used, all is kept: set its clock.`,
  later_than_now: ({ name, count, time }) =>
    `${words.sentenceCase(name)} says that it heard ${words.plural(count, 'packet')} later than now (up to ` +
    `${time.slice(0, 10)} ${at(time)}). Nothing of it is used, all is kept: set its clock.`,
  times_ahead: ({ name, count }) => timesWords(name, count, 'later than they were heard'),
  times_behind: ({ name, count }) => timesWords(name, count, 'much earlier than they were heard'),
  far_from_launch: ({ name, distance_m }) =>
    `${name} is ${Math.round(distance_m / 1000).toLocaleString('en-US')} km from the planned launch. Is it ` +
    'another’s callsign, or is this the plan of another place?',
  swapped: ({ name, count, distance_m }) =>
    `${words.sentenceCase(words.plural(count, 'position'))} of ${name} with latitude and longitude swapped: exchanged, the last is ` +
    `${Math.round(distance_m / 1000).toLocaleString('en-US')} km from the planned launch, as sent over 1,000. None ` +
    'is used. Mend the tracker; or is the launch in the plan swapped?',
  unusable: ({ count, detail }) =>
    `${words.plural(count, 'reception')} could not be taken in (${detail}). What it holds is in the journal; ` +
    'please report it.',
  journal_read: ({ count }) =>
    `What was heard before the start is being read, ${count}\u00a0%. Until then the page shows a part of it, no ` +
    'alarm of the flight sounds and no landing is predicted. What is heard now is kept.',
  journal_refuses: ({ count, detail }) =>
    `The journal cannot be written (${detail}). The last ${words.plural(count, 'reception')} are in memory ` +
    'alone: make room on the disk.',
  journal_elsewhere: ({ detail }) =>
    `The plan’s folder cannot be written to: the journal lies in ${detail}. Copy it from there afterwards.`,
  disk_fills: ({ count }) =>
    `Only ${count} MB are free on the disk that the journal is written to: make room.`,
  landing_failed: ({ time, detail }) =>
    `The landing could not be worked out from what was heard last (${detail}). ` +
    `${time === null ? 'None is shown.' : `The one shown is of ${at(time)}.`} All that is heard is kept; please ` +
    'report it with the journal.',
  forecast_unused: ({ detail }) => ended(`No forecast is used: ${detail}`),
  winds_unused: ({ detail }) => ended(`Measured winds are left out: ${detail}`),
  roads_read: ({ name, count }) =>
    `Roads of ${name} are being read, ${count}\u00a0%. Until then drive times are as the crow flies.`,
  roads_unused: ({ detail }) => `${ended(detail)} Drive times are as the crow flies.`,
  map_unused: ({ detail }) => ended(detail),
  pack_unused: ({ detail }) => ended(detail),
  journal_damaged: ({ name, count, detail }) =>
    `The journal was damaged. It lies in ${name} now; ${words.plural(count, 'reception')} were saved from it. ` +
    ended(words.sentenceCase(detail)),
  journal_unsaved: ({ name, count, detail }) =>
    `The journal ${name} is damaged, and what could be read from it cannot be written down (${detail}). ` +
    `${words.plural(count, 'reception')} of before the start, and all that is heard, are in memory alone; the ` +
    'damaged file stays as it is. Make room on the disk.',
  entries_altered: ({ count, detail }) =>
    `${words.plural(count, 'entry', 'entries')} of the journal (${detail}) ${count === 1 ? 'was' : 'were'} altered on ` +
    'the disk and left out. All else is used; another station that has a good copy gives it back.',
  not_closed: ({ time }) =>
    `Leeward was not closed the last time: it was killed, or the power went. All that it had heard, until ${at(time)}, ` +
    'is here. What was sent between then and this start was not heard here.',
  name_twice: ({ name }) =>
    `Another station calls itself ${name} too: was a folder copied to a second laptop? Both are heard and nothing is ` +
    'lost. Give one of them another name under [station] in its plan, and start it again.',
  clock_set_back: ({ ahead_s }) =>
    `This computer’s clock is at least ${words.duration(-ahead_s)} behind what the journal heard last. The ` +
    'times shown go on from there until packets tell the right time: set the clock.',
  plan_edited: () => 'The plan was edited. It holds from the next start: end Leeward and start it again.',
  plan_unusable: ({ detail }) =>
    `The plan was edited and cannot be used: ${ended(detail)} The flight goes on as planned before.`,
  requests_cut: ({ count }) =>
    `${words.plural(count, 'connection')} of the last ten minutes ${count === 1 ? 'was' : 'were'} cut: no whole request ` +
    'came over them. A very poor link, or somebody who holds the station up. Reception and the crew’s pages go on.',
  readers_cut: ({ count }) =>
    `${words.plural(count, 'page')} of the last ten minutes ${count === 1 ? 'was' : 'were'} cut, having taken nothing of ` +
    'what was sent: asleep, out of reach, or opened by somebody who holds the station up. A page that wakes joins again ' +
    'by itself.',
  task_failed: ({ name, detail }) =>
    `${words.sentenceCase(name)} failed (${detail}) and is tried again. Reception goes on.`,
};

function timesWords(name, count, how) {
  return `${name}: of ${words.plural(count, 'position')} the time is ${how}. The time of hearing is used instead.`;
}
