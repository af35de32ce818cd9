-- expected: refused 3 carriage return
-- SPDX-License-Identifier: MIT
-- harmlessplate.off()
