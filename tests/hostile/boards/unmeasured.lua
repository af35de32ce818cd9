-- SPDX-License-Identifier: MIT
return board {
  name = "unmeasured", title = "a rail of which nobody knows what it reads",
  lower = { length = "60 mm", width = "40 mm", thick = "0.8 mm", copper = "8 %" },
  rails = { { name = "battery", volts = "4 V", amps = "1 A" } },
}
