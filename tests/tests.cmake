pkg_check_modules(CMOCKA REQUIRED IMPORTED_TARGET cmocka)

# tests/unit/test_<noun>.c for every header include/tinlatch/<noun>.h; links what its noun's folder uses.
file(GLOB headers CONFIGURE_DEPENDS ${CMAKE_SOURCE_DIR}/include/tinlatch/*.h)
set(every base core wire port serial device keeper front journal benchfile thermal estimate world guard recipe
          rehearse report pack cli)
set(there "")
foreach(library ${every})
  if(TARGET ${library})
    list(APPEND there ${library})
  endif()
endforeach()
# What two tests link besides: the reference solver for the thermal network.
find_library(SUNDIALS_CVODE sundials_cvode)
find_library(SUNDIALS_NVECSERIAL sundials_nvecserial)
find_library(SUNDIALS_SUNMATRIXDENSE sundials_sunmatrixdense)
find_library(SUNDIALS_SUNLINSOLDENSE sundials_sunlinsoldense)
find_library(SUNDIALS_SUNLINSOLSPGMR sundials_sunlinsolspgmr)
option(TINLATCH_REFERENCES "test against reference libraries (SUNDIALS CVODE, libmodbus)" ON)
if(SUNDIALS_CVODE AND SUNDIALS_NVECSERIAL AND SUNDIALS_SUNMATRIXDENSE AND SUNDIALS_SUNLINSOLDENSE
   AND SUNDIALS_SUNLINSOLSPGMR)
  set(TEST_LIBS_thermal ${SUNDIALS_CVODE} ${SUNDIALS_NVECSERIAL} ${SUNDIALS_SUNMATRIXDENSE}
                        ${SUNDIALS_SUNLINSOLDENSE})
  set(TEST_DEFS_thermal HAVE_CVODE)
  set(TEST_LIBS_field ${SUNDIALS_CVODE} ${SUNDIALS_NVECSERIAL} ${SUNDIALS_SUNLINSOLSPGMR})
  set(TEST_DEFS_field HAVE_CVODE)
elseif(TINLATCH_REFERENCES)
  message(FATAL_ERROR "SUNDIALS CVODE is missing (Debian: libsundials-dev); -DTINLATCH_REFERENCES=OFF goes without")
endif()

# Makes libserialport take a pseudo-terminal for a port; also for LD_PRELOAD in whole-program tests.
if(TARGET serial)
  add_library(pty_as_port SHARED tests/support/pty_as_port.c)
  target_compile_definitions(pty_as_port PRIVATE _GNU_SOURCE)
  target_link_libraries(pty_as_port PRIVATE tinlatch_warnings ${CMAKE_DL_LIBS})
  set(TEST_LIBS_serial -Wl,--no-as-needed pty_as_port)
endif()

# Tests of nouns that have no header of their own: device.h has many kinds, thermal.h a fine grid.
set(nouns modbus instruments arming pump failures apart validate explain field)
set(TEST_INCLUDES_interlock src/core) # each rule is asked alone, too
set(TEST_INCLUDES_validate src/core)
set(TEST_LIBS_validate -Wl,--wrap=rules -Wl,--wrap=rule_fires -Wl,--wrap=interlock_explain)
set(TEST_INCLUDES_front src/front) # keys are pressed without a terminal, too
set(TEST_INCLUDES_failures src/rehearse)
set(TEST_INCLUDES_apart src/rehearse)
set(TEST_LIBS_failures "")
foreach(call malloc calloc realloc opendir write fdatasync world_new sandbox_enter) # what is made to fail, or stands in its way
  list(APPEND TEST_LIBS_failures -Wl,--wrap=${call})
endforeach()
foreach(header ${headers})
  get_filename_component(noun ${header} NAME_WE)
  list(APPEND nouns ${noun})
endforeach()
find_library(MODBUS modbus) # the other side of the Modbus codec
if(MODBUS)
  set(TEST_LIBS_modbus ${MODBUS})
  set(TEST_DEFS_modbus HAVE_MODBUS)
elseif(TINLATCH_REFERENCES)
  message(FATAL_ERROR "libmodbus is missing (Debian: libmodbus-dev); -DTINLATCH_REFERENCES=OFF goes without")
endif()

set(TEST_INCLUDES_sandbox ${CMAKE_SOURCE_DIR}/src/recipe ${LUA_INCLUDE_DIR}) # it looks into the interpreter

foreach(noun ${nouns})
  set(source ${CMAKE_SOURCE_DIR}/tests/unit/test_${noun}.c)
  if(NOT EXISTS ${source})
    message(FATAL_ERROR "tests/unit/test_${noun}.c is missing: every header has a unit test")
  endif()
  add_executable(test_${noun} ${source})
  target_include_directories(test_${noun} PRIVATE tests/support include ${TEST_INCLUDES_${noun}})
  target_compile_definitions(test_${noun} PRIVATE
    TEST_DATA="${CMAKE_SOURCE_DIR}/tests/data" TEST_SOURCE="${CMAKE_SOURCE_DIR}" ${TEST_DEFS_${noun}})
  target_link_libraries(test_${noun} PRIVATE ${there} ${TEST_LIBS_${noun}} PkgConfig::CMOCKA
                        tinlatch_kind tinlatch_warnings m)
  add_test(NAME unit-${noun} COMMAND test_${noun} WORKING_DIRECTORY ${CMAKE_BINARY_DIR})
  set_tests_properties(unit-${noun} PROPERTIES LABELS unit TIMEOUT 300)
endforeach()

# What the thermal network, the world and the estimate cost; and the network as an ngspice netlist.
if(TARGET thermal AND TARGET estimate AND TARGET world)
  add_executable(thermal_bench EXCLUDE_FROM_ALL tests/bench/thermal_bench.c)
  target_include_directories(thermal_bench PRIVATE tests/support include)
  target_link_libraries(thermal_bench PRIVATE estimate world port thermal core wire base
                        PkgConfig::CMOCKA tinlatch_kind tinlatch_warnings m)
endif()

# How far the live estimate is off, over a thousand drawn worlds.
if(TARGET estimate AND TARGET world)
  add_executable(estimate_bench EXCLUDE_FROM_ALL tests/bench/estimate_bench.c)
  target_include_directories(estimate_bench PRIVATE tests/support include)
  target_link_libraries(estimate_bench PRIVATE estimate world port thermal core wire base PkgConfig::CMOCKA
                        tinlatch_kind tinlatch_warnings m)
endif()

if(TARGET thermal AND SUNDIALS_CVODE AND SUNDIALS_NVECSERIAL AND SUNDIALS_SUNLINSOLSPGMR)
  add_executable(field_bench EXCLUDE_FROM_ALL tests/bench/field_bench.c)
  target_include_directories(field_bench PRIVATE tests/support include)
  target_link_libraries(field_bench PRIVATE thermal base ${TEST_LIBS_field} tinlatch_kind tinlatch_warnings m)
endif()

if(TARGET guard)
  add_executable(scan_bench EXCLUDE_FROM_ALL tests/bench/scan_bench.c)
  target_include_directories(scan_bench PRIVATE tests/support include)
  target_link_libraries(scan_bench PRIVATE guard tinlatch_kind tinlatch_warnings)
  add_executable(record_bench EXCLUDE_FROM_ALL tests/bench/record_bench.c)
  target_link_libraries(record_bench PRIVATE journal tinlatch_kind tinlatch_warnings)
  add_executable(guard_bench EXCLUDE_FROM_ALL tests/bench/guard_bench.c)
  target_include_directories(guard_bench PRIVATE tests/support include)
  target_link_libraries(guard_bench PRIVATE base PkgConfig::CMOCKA PkgConfig::JANSSON tinlatch_kind tinlatch_warnings m)
  add_executable(control_bench EXCLUDE_FROM_ALL tests/bench/control_bench.c)
  target_include_directories(control_bench PRIVATE tests/support include)
  target_link_libraries(control_bench PRIVATE guard world thermal tinlatch_kind tinlatch_warnings m)
  # What happens at a bench every day, on plates drawn at random: no rule may trip.
  # And a sensor that slips on such plates is seen.
  foreach(plates calm slipped)
    add_executable(${plates}_plates tests/scenario/${plates}_plates.c)
    target_include_directories(${plates}_plates PRIVATE tests/support include)
    target_link_libraries(${plates}_plates PRIVATE guard world thermal core tinlatch_kind tinlatch_warnings m)
    add_test(NAME scenario-${plates}-plates COMMAND ${plates}_plates)
    set_tests_properties(scenario-${plates}-plates PROPERTIES LABELS scenario TIMEOUT 300)
  endforeach()
  add_executable(reaction_bench EXCLUDE_FROM_ALL tests/bench/reaction_bench.c)
  target_include_directories(reaction_bench PRIVATE tests/support include)
  target_link_libraries(reaction_bench PRIVATE guard port tinlatch_kind tinlatch_warnings util)
endif()

# Lints read the source tree; two of them also ask the built program. tests/lint/can-fail.sh plants a
# mistake for each and expects it to be found.
foreach(lint layers rules headers text format)
  add_test(NAME lint-${lint} COMMAND bash ${CMAKE_SOURCE_DIR}/tests/lint/${lint}.sh
                                     ${CMAKE_SOURCE_DIR})
  set_tests_properties(lint-${lint} PROPERTIES LABELS lint TIMEOUT 120 SKIP_RETURN_CODE 77
                                               ENVIRONMENT "STRICT=${TINLATCH_WERROR}")
endforeach()
if(TARGET tinlatch AND TARGET tinlatch-guard)
  foreach(lint pages can-fail)
    add_test(NAME lint-${lint} COMMAND bash ${CMAKE_SOURCE_DIR}/tests/lint/${lint}.sh
                                       ${CMAKE_SOURCE_DIR} $<TARGET_FILE:tinlatch>)
    set_tests_properties(lint-${lint} PROPERTIES LABELS lint TIMEOUT 120)
  endforeach()

  # Whole-program tests: each script runs the built programs and says what it expects of them.
  file(GLOB scenarios CONFIGURE_DEPENDS ${CMAKE_SOURCE_DIR}/tests/scenario/*.sh)
  foreach(script ${scenarios})
    get_filename_component(name ${script} NAME_WE)
    add_test(NAME scenario-${name} COMMAND bash ${script})
    set(label scenario)
    if(name STREQUAL "hostile" OR name STREQUAL "bad-input" OR name STREQUAL "endless")
      set(label hostile)
    endif()
    set_tests_properties(scenario-${name} PROPERTIES LABELS ${label} TIMEOUT 1200 SKIP_RETURN_CODE 77 ENVIRONMENT
      "TOP=${CMAKE_SOURCE_DIR};TINLATCH=$<TARGET_FILE:tinlatch>;GUARD=$<TARGET_FILE:tinlatch-guard>;KIND=${TINLATCH_KIND};STRICT=${TINLATCH_WERROR}")
  endforeach()
endif()

# `tinlatch run` with a stand-in for the guard.
if(TARGET tinlatch AND TARGET front)
  add_executable(fake_guard tests/support/fake_guard.c)
  target_include_directories(fake_guard PRIVATE include)
  target_link_libraries(fake_guard PRIVATE wire core base tinlatch_kind tinlatch_warnings)
  add_executable(front_terminal tests/process/front_terminal.c)
  target_include_directories(front_terminal PRIVATE tests/support include)
  target_link_libraries(front_terminal PRIVATE front PkgConfig::CMOCKA tinlatch_kind tinlatch_warnings)
  add_test(NAME process-front-terminal COMMAND front_terminal)
  set_tests_properties(process-front-terminal PROPERTIES LABELS process TIMEOUT 120)
  add_test(NAME process-front COMMAND bash ${CMAKE_SOURCE_DIR}/tests/process/front.sh)
  set_tests_properties(process-front PROPERTIES LABELS process TIMEOUT 300 ENVIRONMENT
    "TOP=${CMAKE_SOURCE_DIR};TINLATCH=$<TARGET_FILE:tinlatch>;GUARD=$<TARGET_FILE:tinlatch-guard>;FAKE_GUARD=$<TARGET_FILE:fake_guard>;KIND=${TINLATCH_KIND}")
endif()

# For LD_PRELOAD: a disk that takes its time, one that is full.
foreach(disk slow_disk full_disk)
  add_library(${disk} SHARED tests/support/${disk}.c)
  target_compile_definitions(${disk} PRIVATE _GNU_SOURCE)
  target_link_libraries(${disk} PRIVATE tinlatch_warnings ${CMAKE_DL_LIBS})
endforeach()

# The emulated bench on pseudo-terminals, alone and with whole runs on it, in real time.
if(TARGET tinlatch AND TARGET tinlatch-guard)
  set(whole mimic_alone whole_runs two_runs attended_runs hostile_runs)
  if(NOT TINLATCH_KIND STREQUAL "dev") # its milliseconds are those of the program as it ships, not of a slower one
    list(APPEND whole kills)
  endif()
  foreach(program ${whole})
    add_executable(${program} tests/process/${program}.c)
    target_include_directories(${program} PRIVATE tests/support include)
    target_link_libraries(${program} PRIVATE base PkgConfig::CMOCKA PkgConfig::JANSSON tinlatch_kind
                          tinlatch_warnings m util)
    add_test(NAME process-${program} COMMAND ${program})
    set_tests_properties(process-${program} PROPERTIES LABELS process TIMEOUT 900 ENVIRONMENT
      "TOP=${CMAKE_SOURCE_DIR};TINLATCH=$<TARGET_FILE:tinlatch>;SLOW_DISK=$<TARGET_FILE:slow_disk>;FULL_DISK_PRELOAD=$<TARGET_FILE:full_disk>")
  endforeach()
endif()

if(TARGET mimic_alone AND TARGET pty_as_port)
  foreach(program control_lines bench_check)
    add_executable(${program} tests/process/${program}.c)
    target_include_directories(${program} PRIVATE tests/support include)
    target_link_libraries(${program} PRIVATE base PkgConfig::CMOCKA PkgConfig::JANSSON tinlatch_kind
                          tinlatch_warnings m)
    add_test(NAME process-${program} COMMAND ${program})
    set_tests_properties(process-${program} PROPERTIES LABELS process TIMEOUT 400 ENVIRONMENT
      "TOP=${CMAKE_SOURCE_DIR};TINLATCH=$<TARGET_FILE:tinlatch>;PTY_PRELOAD=$<TARGET_FILE:pty_as_port>")
  endforeach()
endif()

# What is held against a clock has no neighbours that compute (tests/run runs these last); what counts
# single milliseconds has none at all.
foreach(timed unit-keeper unit-live unit-serial unit-prove process-front process-front-terminal
              process-mimic_alone process-whole_runs process-two_runs process-attended_runs process-hostile_runs
              process-kills process-control_lines process-bench_check)
  if(TEST ${timed})
    set_property(TEST ${timed} APPEND PROPERTY LABELS timed)
  endif()
endforeach()
if(TEST process-kills)
  set_tests_properties(process-kills PROPERTIES RUN_SERIAL TRUE)
endif()
foreach(long scenario-hostile scenario-campaign process-whole_runs process-two_runs process-attended_runs
             process-hostile_runs process-bench_check)
  if(TEST ${long})
    set_tests_properties(${long} PROPERTIES COST 100) # begun first, lest one processor waits for it at the end
  endif()
endforeach()
