-- expected: refused 3 control character
-- SPDX-License-Identifier: MIT
-- harmless
return 1
