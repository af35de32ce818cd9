-- SPDX-License-Identifier: MIT
-- New spheres on the frame pads of the lower board: melt them through the stencil, let them freeze
-- undisturbed. The plate is a heavy block: it is switched off while the last spheres are still solid, and
-- what it holds melts them. So the stencil is never hotter than it must be.
local profile = require "profile"

return recipe {
  api     = 1, version = 1,
  title   = "Reball the frame of the lower board",
  board   = "hx210-lower",
  insert  = "flat-60x40",
  params  = {
    melt = { "165 C", min = "155 C", max = "175 C", help = "plate temperature for the melt" },
    hold = { "5 s", min = "1 s", max = "40 s", help = "time at it before the plate is switched off" },
  },
  ceiling = { plate = "180 C", ramp = "2 C/s", heat_time = "15 min" },
  park    = "100 C",
  steps = function(p)
    local function heat_again()
      note "the plate's own heat did not melt the last spheres: heating again"
      plate.ramp { to = p.melt, timeout = "2 min" }
      wait_for_melt { joint = "frame", steady = "5 s", timeout = "3 min" }
    end

    stage "Fill"
    confirm { "Pads wicked clean, thin flux, every hole of the stencil holds one sphere?", timeout = "10 min" }
    board.place { "Lay board and stencil in the insert without a jolt.", timeout = "3 min" }
    profile.run {
      { stage = "Preheat", to = "120 C", rate = "1.5 C/s", hold = "45 s", timeout = "3 min" },
      { stage = "Melt", to = p.melt, rate = "1 C/s", hold = p.hold, timeout = "3 min" },
    }
    plate.off()
    wait_for_melt { joint = "frame", steady = "5 s", timeout = "90 s", otherwise = heat_again }
    tell "Hands off until it beeps: the spheres are liquid."

    stage "Cool"
    plate.off()
    cool { joint = "frame", timeout = "10 min" }
    beep "solid"
    cool { plate = "45 C", fan = "60 %", timeout = "20 min" }
    if not confirm { "Lift the stencil. Every pad has a whole, round sphere?", timeout = "10 min" } then
      note "spheres missing or crushed"
      tell "Wick them all off and start again: single spheres are not mended."
    end
  end,
}
