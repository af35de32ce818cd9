-- SPDX-License-Identifier: MIT
-- Solder alloys as board files name them. Composition in mass percent is the name.
--
-- Sources, beside each value:
--   S1   alloy reference table compiled from alloy makers' datasheets
--   S2   vendor table of column-grid material properties
--   S3   material pages by ISO 9453 alloy number, rounded to two digits
--   S4   alloy datasheet to EN 29453 and J-STD-006, August 2007
--   S5   technical data sheet of Sn96.5Ag3.0Cu0.5
--   S6   material library of soft solders; agrees with ISO 9453
--   S7   preform vendor's table of Sn96.5Ag3.0Cu0.5
--   S8   wire vendor's data of Sn96.5Ag3.0Cu0.5
--   S9   encyclopedia article citing a database of solder properties of 2002
--   S10  encyclopedia, table of solder alloys
--   S11  calculated eutectics of a public phase-diagram collection
--   S12  tables of a maker of indium alloys
--   memory   recalled, no source at hand
--   mixture  heat of fusion computed from the elements' (Sn 59.2, Pb 23.0, Bi 54.1, Cu 206.7, In 28.6,
--            Ag 104.6 J/g) by mass; ignores the heat of mixing, so it is an upper figure
--   volumes  density computed by adding the elements' volumes
-- Sources disagree by some K on liquidus and by up to a quarter on latent heat of bismuth alloys.

return {
    Sn63Pb37 = { -- Sn63 Pb37
        solidus = "183 C",
        liquidus = "183 C", -- both: S1;S2;S4
        latent_j_g = 46, -- S3 (alloy 131)
        density_g_cm3 = 8.4, -- S1;S2
        cp_j_gk = 0.19, -- S3 (alloy 131: 63/37 + 0.2..0.5 Sb)
        k_w_mk = 50, -- S1
    },
    Sn60Pb40 = { -- Sn60 Pb40
        solidus = "183 C",
        liquidus = "190 C", -- both: S6; liquidus disagrees 186..191 (S1 191; S2 186; S4 188)
        latent_j_g = 45, -- S3 (alloy 104)
        density_g_cm3 = 8.5, -- S1;S2
        cp_j_gk = 0.18, -- S3 (alloy 104)
        k_w_mk = 49, -- S1
    },
    Sn62Pb36Ag2 = { -- Sn62 Pb36 Ag2
        solidus = "179 C",
        liquidus = "179 C", -- both: S4
        latent_j_g = 47.1, -- mixture
        density_g_cm3 = 8.41, -- S1 (Sn62.5Pb36.1Ag1.4)
        cp_j_gk = 0.18, -- memory
        k_w_mk = 50, -- S1 (Sn62.5Pb36.1Ag1.4)
    },
    SAC305 = { -- Sn96.5 Ag3.0 Cu0.5
        solidus = "217 C",
        liquidus = "220 C", -- both: S1; liquidus disagrees 217..221 (S5 218; S8 221; S4 217)
        latent_j_g = 61.3, -- mixture
        density_g_cm3 = 7.38, -- S1;S5
        cp_j_gk = 0.22, -- S3 (neighbours 715 and 716)
        k_w_mk = 58, -- S1;S7
    },
    SAC387 = { -- Sn95.5 Ag3.8 Cu0.7
        solidus = "217 C",
        liquidus = "220 C", -- both: S1; S4 gives 217
        latent_j_g = 62.0, -- mixture
        density_g_cm3 = 7.44, -- S1
        cp_j_gk = 0.22, -- S3 (neighbours 715 and 716)
        k_w_mk = 60, -- S1
    },
    SAC405 = { -- Sn95.5 Ag4.0 Cu0.5
        solidus = "217 C",
        liquidus = "220 C", -- both: S1
        latent_j_g = 61.8, -- mixture
        density_g_cm3 = 7.44, -- S1
        cp_j_gk = 0.22, -- S3 (neighbours 715 and 716)
        k_w_mk = 62, -- S1
    },
    SAC0307 = { -- Sn99.0 Ag0.3 Cu0.7
        solidus = "217 C",
        liquidus = "228 C", -- both: S1; 227 also common (memory)
        latent_j_g = 60, -- S3 (alloy 501)
        density_g_cm3 = 7.33, -- S1
        cp_j_gk = 0.22, -- S3 (alloy 501)
        k_w_mk = 67, -- S3 (alloy 501)
    },
    ["Sn96.5Ag3.5"] = { -- Sn96.5 Ag3.5
        solidus = "221 C",
        liquidus = "221 C", -- both: S1
        latent_j_g = 61, -- S3 (alloy 703)
        density_g_cm3 = 7.37, -- S1
        cp_j_gk = 0.22, -- S3 (alloy 703)
        k_w_mk = 55, -- S1;S3 (alloy 703)
    },
    ["Sn99.3Cu0.7"] = { -- Sn99.3 Cu0.7
        solidus = "227 C",
        liquidus = "227 C", -- both: S1;S4
        latent_j_g = 60, -- S3 (alloy 401)
        density_g_cm3 = 7.31, -- S1
        cp_j_gk = 0.22, -- S3 (alloy 401)
        k_w_mk = 66, -- S1; S9 gives 53
    },
    Sn42Bi58 = { -- Sn42 Bi58
        solidus = "138 C",
        liquidus = "138 C", -- both: S10; NIST-calculated eutectic 138.8 at 57.0 Bi (S11)
        latent_j_g = 55, -- S3 (alloy 301); about 45 measured (memory)
        density_g_cm3 = 8.56, -- volumes; S3 gives 8.7
        cp_j_gk = 0.16, -- S3 (alloy 301)
        k_w_mk = 19, -- S3 (alloy 301)
    },
    ["Sn42Bi57.6Ag0.4"] = { -- Sn42 Bi57.6 Ag0.4
        solidus = "138 C",
        liquidus = "138 C", -- both: memory
        latent_j_g = 56.4, -- mixture
        density_g_cm3 = 8.56, -- volumes
        cp_j_gk = 0.16, -- as Sn42Bi58 (assumed)
        k_w_mk = 19, -- as Sn42Bi58 (assumed)
    },
    Sn42Bi57Ag1 = { -- Sn42 Bi57 Ag1
        solidus = "138 C",
        liquidus = "140 C", -- both: memory
        latent_j_g = 50, -- between 45 (measured, memory) and 56.7 (mixture)
        density_g_cm3 = 8.56, -- volumes
        cp_j_gk = 0.16, -- as Sn42Bi58 (assumed)
        k_w_mk = 19, -- as Sn42Bi58 (assumed)
    },
    In52Sn48 = { -- In52 Sn48
        solidus = "118 C",
        liquidus = "118 C", -- both: S12
        latent_j_g = 43, -- S3 (alloy 601); about 29 measured (memory)
        density_g_cm3 = 7.3, -- S12
        cp_j_gk = 0.23, -- S3 (alloy 601)
        k_w_mk = 34, -- S12
    },
    In97Ag3 = { -- In97 Ag3
        solidus = "143 C",
        liquidus = "143 C", -- both: memory
        latent_j_g = 30.9, -- mixture
        density_g_cm3 = 7.38, -- memory; equals volumes
        cp_j_gk = 0.24, -- memory
        k_w_mk = 73, -- memory
    },
    Sn5Pb95 = { -- Pb95 Sn5
        solidus = "308 C",
        liquidus = "312 C", -- both: S2; 300/314 in ISO 9453 (memory)
        latent_j_g = 24.8, -- mixture
        density_g_cm3 = 11.0, -- S2
        cp_j_gk = 0.134, -- memory
        k_w_mk = 36, -- S2; disagrees 63 (S9) and 23 (memory)
    },
}
