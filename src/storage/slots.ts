/** Stands in a compiled query where a value will be, and finds it in what the query is asked with. */
export abstract class Slot {
  abstract of(values: object): unknown;
}

class NamedSlot extends Slot {
  constructor(readonly name: PropertyKey) {
    super();
  }

  override of(values: object): unknown {
    return (values as Record<PropertyKey, unknown>)[this.name];
  }
}

/** A value of one row among several, see `preparedMany`. */
export class RowSlot extends Slot {
  constructor(
    readonly index: number,
    readonly column: PropertyKey,
  ) {
    super();
  }

  override of({ rows }: ManyRows): unknown {
    return (rows[this.index] as Record<PropertyKey, unknown>)[this.column];
  }
}

/** A value beside the rows of `preparedMany`. */
class RestSlot extends NamedSlot {
  override of({ rest }: ManyRows): unknown {
    return super.of(rest);
  }
}

/** One of a list; behind its end the last one again, see `preparedForList`. */
export class ItemSlot extends Slot {
  constructor(readonly index: number) {
    super();
  }

  override of({ list }: ListOfValues): unknown {
    return list[Math.min(this.index, list.length - 1)];
  }
}

class BesideListSlot extends NamedSlot {
  override of({ values }: ListOfValues): unknown {
    return super.of(values);
  }
}

export interface ManyRows {
  readonly rows: readonly object[];
  readonly rest: object;
}

export interface ListOfValues {
  readonly list: readonly string[];
  readonly values: object;
}

const named = (make: (name: PropertyKey) => Slot): object =>
  new Proxy({}, { get: (_none, name) => make(name) });

export const NAMED = named((name) => new NamedSlot(name));
export const REST = named((name) => new RestSlot(name));
export const BESIDE_LIST = named((name) => new BesideListSlot(name));
