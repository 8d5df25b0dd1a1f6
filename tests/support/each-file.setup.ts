import { afterEach } from 'vitest';
import { tidyUp } from './after-each.js';

/** Setup of every test file. */
afterEach(tidyUp);
