/**
 * Fetches, decodes and draws blocks of vector maps away from the page, so that it never waits for them.
 * Asked: {open}, {colours}, {paint}, {drop}. Answers: {begun: id}, then {id, bitmap, names, bad}.
 */

import { createDrawing } from './drawing.js';

const drawing = createDrawing((answer, moved) => globalThis.postMessage(answer, { transfer: moved }));

addEventListener('message', ({ data }) => drawing.take(data));
