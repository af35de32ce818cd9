add_library(tinlatch_warnings INTERFACE)
target_compile_options(tinlatch_warnings INTERFACE
  -Wall -Wextra -Wshadow -Wconversion -Wdouble-promotion -Wswitch-enum -Wstrict-prototypes
  -Wmissing-prototypes -Wundef -Wvla -Wformat=2 -Wwrite-strings -Wimplicit-fallthrough)
option(TINLATCH_WERROR "warnings are errors" OFF)
if(TINLATCH_WERROR OR TINLATCH_KIND STREQUAL "dev")
  target_compile_options(tinlatch_warnings INTERFACE -Werror)
endif()
