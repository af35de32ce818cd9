add_library(tinlatch_warnings INTERFACE)
target_compile_options(tinlatch_warnings INTERFACE
  -Wall -Wextra -Wshadow -Wconversion -Wdouble-promotion -Wswitch-enum -Wstrict-prototypes
  -Wmissing-prototypes -Wundef -Wvla -Wformat=2 -Wwrite-strings -Wimplicit-fallthrough)
if(CMAKE_C_COMPILER_ID STREQUAL "Clang") # NAN is a float to it; formats handed on are ours
  target_compile_options(tinlatch_warnings INTERFACE -Wno-double-promotion -Wno-format-nonliteral)
endif()
option(TINLATCH_WERROR "warnings are errors" OFF)
if(TINLATCH_WERROR OR TINLATCH_KIND STREQUAL "dev")
  target_compile_options(tinlatch_warnings INTERFACE -Werror)
endif()
