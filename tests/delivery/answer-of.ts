/** What an endpoint gives back for an answer with a JSON body. */
export function answerOf(status: number, body: unknown) {
  const bytes = Buffer.from(JSON.stringify(body));
  return { kind: 'answered', status, retryAfter: null, body: bytes, isCut: false } as const;
}
