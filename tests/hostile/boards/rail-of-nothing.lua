-- SPDX-License-Identifier: MIT
return board {
  name = "rail-of-nothing", title = "a limit that would be rounded to none",
  lower = { length = "60 mm", width = "40 mm", thick = "0.8 mm", copper = "8 %" },
  rails = { { name = "battery", volts = "0.4 mV", amps = "1 A" } },
}
