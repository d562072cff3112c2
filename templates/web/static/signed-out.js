// Whoever signs out leaves nothing behind that was typed and not recorded.
"use strict";

sessionStorage.clear();
