-- SPDX-License-Identifier: MIT
-- Join two boards again: melt the fresh solder of the frame, let it settle, melt it once more under a
-- light weight, and keep the weight on until it is solid.
return recipe {
  api     = 1, version = 1,
  title   = "Join the two-board stack",
  board   = "hx210",
  insert  = "frame-60x40",
  params  = { melt = { "172 C", min = "165 C", max = "180 C", help = "plate temperature for the melt" } },
  before  = { "battery" },
  ceiling = { plate = "190 C", ramp = "2 C/s", heat_time = "25 min" },
  park    = "100 C",
  steps = function(p)
    stage "Preheat"
    board.place { "Pads clean, fresh solder and flux on? Lay the stack in the insert, top board on its pins.", timeout = "3 min" }
    plate.ramp { to = "120 C", rate = "1.5 C/s", timeout = "3 min" }
    plate.soak { time = "60 s" }

    stage "Melt"
    plate.ramp { to = p.melt, timeout = "2 min" }
    wait_for_melt { joint = "frame", steady = "8 s", timeout = "4 min" }
    tell "Hands off: the solder draws the boards together."
    plate.soak { time = "15 s" }

    stage "Settle"
    plate.ramp { to = "125 C", timeout = "5 min" }

    stage "Second pass"
    plate.ramp { to = p.melt, timeout = "2 min" }
    wait_for_melt { joint = "frame", steady = "5 s", timeout = "4 min" }
    beep "press"
    board.press { "Set the weight on the stack: straight down, light and level, against its stops.", timeout = "1 min" }
    plate.soak { time = "10 s" }

    stage "Cool under pressure"
    cool { joint = "frame", plate = "45 C", fan = "60 %", timeout = "25 min" }
    board.release { "Take the weight off.", timeout = "5 min" }
    stage "Look"
    if not confirm { "Is the gap even all round?", timeout = "10 min" } then
      note "gap uneven after joining"
      tell "Uneven gap: split the stack again and clean the pads before another try."
    end
  end,
}
