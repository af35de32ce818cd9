# tinlatch_library(core USES base m): every .c of src/core, allowed to call only what USES names.
#
# A static library links a forbidden call in silence, so a small executable per library takes the
# whole archive with only its USES behind it: a call up or across the layers fails to link there.
function(tinlatch_library name)
  cmake_parse_arguments(arg "" "" "USES" ${ARGN})
  file(GLOB sources CONFIGURE_DEPENDS ${CMAKE_SOURCE_DIR}/src/${name}/*.c)
  if(NOT sources)
    return()
  endif()
  add_library(${name} STATIC ${sources})
  target_include_directories(${name} PUBLIC ${CMAKE_SOURCE_DIR}/include
                             PRIVATE ${CMAKE_SOURCE_DIR}/src/${name})
  target_link_libraries(${name} PUBLIC ${arg_USES} tinlatch_kind PRIVATE tinlatch_warnings)

  set(stub ${CMAKE_BINARY_DIR}/layer_check.c)
  if(NOT EXISTS ${stub})
    file(WRITE ${stub} "int main(void) { return 0; }\n")
  endif()
  add_executable(layer-${name} ${stub})
  target_link_libraries(layer-${name} PRIVATE
    -Wl,--whole-archive $<TARGET_FILE:${name}> -Wl,--no-whole-archive ${arg_USES} tinlatch_kind)
  add_dependencies(layer-${name} ${name})
endfunction()

# tinlatch_program(tinlatch-guard USES guard INTO libexec WITH more.c): src/main/tinlatch_guard.c and more.c.
function(tinlatch_program name)
  cmake_parse_arguments(arg "" "INTO" "USES;WITH" ${ARGN})
  string(REPLACE "-" "_" main ${name})
  if(NOT EXISTS ${CMAKE_SOURCE_DIR}/src/main/${main}.c)
    return()
  endif()
  add_executable(${name} src/main/${main}.c ${arg_WITH})
  target_include_directories(${name} PRIVATE include)
  target_link_libraries(${name} PRIVATE ${arg_USES} tinlatch_kind tinlatch_warnings)
  install(TARGETS ${name} DESTINATION ${arg_INTO})
endfunction()
