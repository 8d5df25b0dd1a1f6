#!/usr/bin/env node
import '../dist/cli/drumline.js';
