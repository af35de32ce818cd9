-- SPDX-License-Identifier: MIT
plate.ramp { to = "170 C", timeout = "1 min" }
