-- SPDX-License-Identifier: MIT
-- A small invented board for the quick plate of the tests.
return board {
  name = "quick",
  title = "small test board",
  lower = { length = "20 mm", width = "15 mm", thick = "0.8 mm", copper = "8 %", small_parts = "1 g" },
  parts = {
    { name = "U1", on = "lower", x = "10 mm", y = "7 mm", length = "4 mm", width = "4 mm", thick = "1 mm", max = "240 C", rail = "battery" },
  },
  rails = {
    { name = "battery", volts = "4 V", amps = "1.5 A", inject_volts = "0.8 V", inject_amps = "1.5 A", healthy = "45 kohm", diode = "0.42 V", idle = "40 mA", short = "0.4 ohm", short_part = "U1" },
  },
}
