-- expected: error 5 too many results
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
note(table.concat { table.unpack({}, 1, 1e7) })
end }
