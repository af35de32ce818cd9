-- SPDX-License-Identifier: MIT
-- Do the sensors tell the truth? Cold they agree; with gentle heat they rise together. The plate is empty.
local SPREAD_K = 4 -- two thermocouples of class 1 and their readers: common practice
local ROOM_K = 5 -- the same, and a thermometer as households have

local function none()
  return nil
end

local function look(name)
  return sensor.read { name, otherwise = none }
end

local function compare(where)
  local first, second = look "plate", look "plate-2"
  if not first then
    error "the plate's sensor cannot be read"
  end
  record("plate " .. where, first, "C")
  if not second then
    note "no second plate sensor: nothing to compare with"
    return first
  end
  record("plate-2 " .. where, second, "C")
  if math.abs(first - second) > SPREAD_K then
    error(("plate sensors disagree %s: %.1f C and %.1f C"):format(where, first, second))
  end
  return first
end

return recipe {
  api     = 1, version = 1,
  title   = "Check the sensors with gentle heat",
  board   = "hx210",
  insert  = "frame-60x40",
  params  = { warm = { "60 C", min = "45 C", max = "70 C", help = "how warm the empty plate gets" } },
  ceiling = { plate = "80 C", ramp = "1.5 C/s", heat_time = "10 min" },
  steps = function(p)
    stage "Cold"
    if not confirm { "Is the plate empty and at room temperature?", timeout = "5 min" } then
      error "the check starts with an empty, cold plate"
    end
    local room = ask { "What does a thermometer beside the plate read?", unit = "C", suggest = "22 C", timeout = "5 min" }
    local cold = compare "cold"
    record("room", room, "C")
    if math.abs(cold - room) > ROOM_K then
      tell(("The plate reads %.1f C, the room %.1f C: not cold yet, or a wrong type of thermocouple?"):format(cold, room))
    end
    local board_cold = look "board"

    stage "Warm"
    plate.ramp { to = p.warm, rate = "1 C/s", timeout = "4 min" }
    plate.soak { time = "30 s" }
    local warm = compare "warm"
    plate.off()
    if warm - cold < 10 then
      error(("the plate rose by %.1f K only: is its sensor seated?"):format(warm - cold))
    end
    local board_warm = look "board"
    if board_cold and board_warm then
      record("board rise", board_warm - board_cold, "K")
    end

    stage "Cool"
    fan.on { speed = "100 %" }
    wait_until { function() return plate.temperature() <= 40 end, timeout = "20 min" }
    fan.off()
    tell(("Sensors agree; the plate rose by %.1f K."):format(warm - cold))
  end,
}
