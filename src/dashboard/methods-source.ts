import type { MethodSummary, MethodView } from '../methods/method-view.js';

/** Injection token of the `MethodsSource` the application binds. */
export const METHODS_SOURCE = Symbol('METHODS_SOURCE');

/** What the pages need of the method registry; bound where the application is wired. */
export interface MethodsSource {
  list(): Promise<readonly MethodSummary[]>;
  show(name: { readonly id: string; readonly version: string }): Promise<MethodView | null>;
}

/** Address of a version's page. */
export function methodPath(of: { readonly id: string; readonly version: string }): string {
  return `/methods/${encodeURIComponent(of.id)}/${encodeURIComponent(of.version)}`;
}
