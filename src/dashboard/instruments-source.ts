import type { ListedInstrument, ShownPerformance } from '../statements/performance-view.js';

/** Injection token of the `InstrumentsSource` the application binds. */
export const INSTRUMENTS_SOURCE = Symbol('INSTRUMENTS_SOURCE');

/** What the pages need of instruments and their performance checks; bound where the application is wired. */
export interface InstrumentsSource {
  list(): Promise<readonly ListedInstrument[]>;
  /** null when nothing is known of the serial. */
  of(serial: string): Promise<ShownPerformance | null>;
}
