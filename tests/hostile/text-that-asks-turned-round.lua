-- expected: error 5 invisible
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
confirm { "Is it \u{2067}cold\u{2069}?", timeout = "1 min" }
end }
