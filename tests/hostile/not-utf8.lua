-- expected: refused 3 not UTF-8
-- SPDX-License-Identifier: MIT
return recipe { title = "café" }
