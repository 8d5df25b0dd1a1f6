/** Who wants to sign, from where, and what they gave to prove it. */
export interface SigningRequest {
  /** Who asks, as the trail names them until they are proven. */
  readonly actor: {
    readonly kind: 'cli' | 'key' | 'person';
    readonly name: string;
    readonly source: string;
  };
  /** The account of the session; null on the command line, where the user name says whose it is. */
  readonly accountId: string | null;
  /** null where there is no session: then every signature takes all components. */
  readonly sessionId: string | null;
  readonly userName: string | null;
  readonly password: string;
  readonly source: string;
}
