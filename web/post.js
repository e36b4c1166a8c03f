/** What is said where the station does not answer. */
export const UNHEARD = 'The station did not hear it. Try again when the connection is back.';

/** Asks the station to do something. Gives null when it was done, else why not, as a sentence. */
export async function post(path, body) {
  try {
    const reply = await fetch(path, {
      method: 'POST',
      headers: { 'Content-Type': 'application/json' },
      body: JSON.stringify(body),
    });
    if (reply.ok) return null;
    const { detail } = await reply.json().catch(() => ({}));
    return detail ?? `The station refused (${reply.status}).`;
  } catch {
    return UNHEARD;
  }
}
