-- expected: harmless -
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "unmeasured", steps = function(p)
record("r", meter.read { rail = "battery", timeout = "1 min" }, "ohm")
record("v", meter.read { rail = "battery", kind = "diode", timeout = "1 min" }, "V")
end }
