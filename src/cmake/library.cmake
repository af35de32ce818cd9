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
  tinlatch_texts(${name})
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

# Each .css and .js of src/<name> as bytes: page.css is `static const unsigned char page_css[]` in "page_css.h".
function(tinlatch_texts name)
  file(GLOB texts CONFIGURE_DEPENDS ${CMAKE_SOURCE_DIR}/src/${name}/*.css ${CMAKE_SOURCE_DIR}/src/${name}/*.js)
  foreach(text ${texts})
    get_filename_component(file ${text} NAME)
    string(REPLACE "." "_" symbol ${file})
    file(READ ${text} bytes HEX)
    string(REGEX REPLACE "(..)" "0x\\1," bytes "${bytes}")
    file(CONFIGURE OUTPUT ${CMAKE_BINARY_DIR}/texts/${name}/${symbol}.h
         CONTENT "static const unsigned char ${symbol}[] = {${bytes}};\n")
    set_property(DIRECTORY APPEND PROPERTY CMAKE_CONFIGURE_DEPENDS ${text})
    target_include_directories(${name} PRIVATE ${CMAKE_BINARY_DIR}/texts/${name})
  endforeach()
endfunction()

# tinlatch_program(tinlatch-guard USES guard INTO libexec WITH more.c): src/main/tinlatch_guard.c and more.c.
function(tinlatch_program name)
  cmake_parse_arguments(arg "" "INTO" "USES;WITH" ${ARGN})
  string(REPLACE "-" "_" main ${name})
  if(NOT EXISTS ${CMAKE_SOURCE_DIR}/src/main/${main}.c)
    return()
  endif()
  add_executable(${name} src/main/${main}.c ${arg_WITH})
  set_target_properties(${name} PROPERTIES TINLATCH_WHOLE ON)
  target_include_directories(${name} PRIVATE include)
  target_link_libraries(${name} PRIVATE ${arg_USES} tinlatch_kind tinlatch_warnings)
  install(TARGETS ${name} DESTINATION ${arg_INTO})
endfunction()
