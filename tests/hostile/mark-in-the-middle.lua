-- expected: refused 3 invisible
-- SPDX-License-Identifier: MIT
-- ﻿ harmless
return 1
