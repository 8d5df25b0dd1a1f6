import { up as judgeAllAnew } from './m0025-assumed-offsets.js';

/**
 * A destination that came back into the site folder was not told of a stop that was issued meanwhile, and a fail that synced
 * after a split spoke against its own part alone. Nothing else may ever ask for such a receipt again, so every announced one
 * is judged anew, as it was for assumed offsets.
 */
export const up = judgeAllAnew;
