-- SPDX-License-Identifier: MIT
-- With hands: the board is laid down and taken away again.
return recipe {
  api     = 1,
  title   = "Quick board",
  board   = "quick",
  insert  = "flat-30x20",
  ceiling = { plate = "80 C", ramp = "3 C/s", heat_time = "3 min" },
  steps = function()
    stage "Place"
    board.place { "Lay the board in the insert.", timeout = "2 min" }
    stage "Warm"
    plate.ramp { to = "60 C", rate = "2 C/s", timeout = "1 min" }
    plate.soak { time = "5 s" }
    stage "Cool"
    plate.off()
    cool { plate = "44 C", fan = "100 %", timeout = "2 min" }
  end,
}
