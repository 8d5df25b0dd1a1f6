/** The zone whose days are counted, for whatever reads a day from outside. */
export class ReconciliationZone {
  constructor(readonly timeZone: string) {}
}
