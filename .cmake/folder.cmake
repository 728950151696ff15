# What every target has in common.
add_library(creel_common INTERFACE)
target_compile_options(creel_common INTERFACE
  -Wall -Wextra -Wpedantic -Werror -Wshadow -Wconversion -Wno-sign-conversion
  $<$<COMPILE_LANGUAGE:CXX>:-Wnon-virtual-dtor -Woverloaded-virtual>)
target_compile_definitions(creel_common INTERFACE
  BOOST_ASIO_NO_DEPRECATED BOOST_ASIO_DISABLE_VISIBILITY SPDLOG_COMPILED_LIB)
if(CREEL_SANITIZE)
  target_compile_options(creel_common INTERFACE -fsanitize=${CREEL_SANITIZE} -fno-omit-frame-pointer
                         -fno-sanitize-recover=all)
  target_compile_definitions(creel_common INTERFACE CREEL_SANITIZED)
  target_link_options(creel_common INTERFACE -fsanitize=${CREEL_SANITIZE})
endif()
# Asio fences between threads, which g++'s thread sanitizer does not model and says so; libstdc++'s <regex> trips
# g++'s own uninitialised-value warning under the address sanitizer; and with precompiled headers g++ 12 no longer sees
# that code is the library's, and warns of its strings. The main build has all warnings.
if(CREEL_SANITIZE AND CMAKE_CXX_COMPILER_ID STREQUAL "GNU")
  target_compile_options(creel_common INTERFACE -Wno-tsan -Wno-maybe-uninitialized -Wno-array-bounds -Wno-restrict
                         -Wno-stringop-overflow -Wno-stringop-overread)
endif()
if(CREEL_FUZZ)
  target_compile_options(creel_common INTERFACE -fsanitize=fuzzer-no-link)
  target_link_options(creel_common INTERFACE -fsanitize=fuzzer-no-link)
endif()

# The sanitizer builds parse the large headers once (CREEL_PRECOMPILED). The main build does not: it shows that every
# file includes what it needs.
if(CREEL_PRECOMPILED)
  file(WRITE ${CMAKE_BINARY_DIR}/empty.cpp "// Precompiled headers need a file to hang on.\n")
  add_library(creel_precompiled_code OBJECT ${CMAKE_BINARY_DIR}/empty.cpp)
  target_precompile_headers(creel_precompiled_code PRIVATE <algorithm> <functional> <map> <memory> <optional> <string>
                            <vector> <nlohmann/json.hpp>)
  target_link_libraries(creel_precompiled_code PRIVATE creel_common)
  add_library(creel_precompiled_tests OBJECT ${CMAKE_BINARY_DIR}/empty.cpp)
  target_precompile_headers(creel_precompiled_tests PRIVATE <algorithm> <functional> <map> <memory> <optional>
                            <string> <vector> <nlohmann/json.hpp> <gtest/gtest.h> <gmock/gmock.h>)
  target_link_libraries(creel_precompiled_tests PRIVATE creel_common GTest::gtest GTest::gmock)
  # As for a program, or the compiler does not take it.
  set_target_properties(creel_precompiled_tests PROPERTIES POSITION_INDEPENDENT_CODE OFF)
  target_compile_options(creel_precompiled_tests PRIVATE -fPIE)
endif()

function(creel_precompile TARGET HEADERS)
  if(CREEL_PRECOMPILED)
    target_precompile_headers(${TARGET} REUSE_FROM ${HEADERS})
  endif()
endfunction()

# Gives TARGET an include root that holds this one folder and nothing else, so that
# #include "daemon/store/piece.h" compiles only in targets that link daemon_store.
function(creel_include_root TARGET VISIBILITY)
  file(RELATIVE_PATH folder ${PROJECT_SOURCE_DIR} ${CMAKE_CURRENT_SOURCE_DIR})
  set(root ${CMAKE_BINARY_DIR}/include/${TARGET})
  get_filename_component(parent ${root}/${folder} DIRECTORY)
  file(MAKE_DIRECTORY ${parent})
  file(CREATE_LINK ${CMAKE_CURRENT_SOURCE_DIR} ${root}/${folder} SYMBOLIC)
  target_include_directories(${TARGET} ${VISIBILITY} ${root})
endfunction()

function(creel_folder_name OUT)
  file(RELATIVE_PATH folder ${PROJECT_SOURCE_DIR} ${CMAKE_CURRENT_SOURCE_DIR})
  string(REPLACE "/" "_" name ${folder})
  set(${OUT} ${name} PARENT_SCOPE)
endfunction()

# creel_library(SOURCES a.cpp ... DEPENDS protocol_base ...): the library of this folder, named after
# it (daemon/store -> daemon_store). Without SOURCES it is header-only.
function(creel_library)
  cmake_parse_arguments(ARG "" "" "SOURCES;DEPENDS;PRIVATE_DEPENDS" ${ARGN})
  creel_folder_name(name)
  if(ARG_SOURCES)
    add_library(${name} STATIC ${ARG_SOURCES})
    creel_include_root(${name} PUBLIC)
    target_link_libraries(${name} PUBLIC ${ARG_DEPENDS} PRIVATE creel_common ${ARG_PRIVATE_DEPENDS})
    creel_precompile(${name} creel_precompiled_code)
  else()
    add_library(${name} INTERFACE)
    creel_include_root(${name} INTERFACE)
    target_link_libraries(${name} INTERFACE ${ARG_DEPENDS})
  endif()
endfunction()

# creel_hot(): the target of this folder is arithmetic or copies frames: optimised for speed (not under sanitizers).
function(creel_hot)
  creel_folder_name(name)
  if(NOT CREEL_SANITIZE AND NOT CREEL_FUZZ)
    target_compile_options(${name} PRIVATE -O3)
  endif()
endfunction()

# creel_program(NAME creeld SOURCES ... DEPENDS ...)
function(creel_program)
  cmake_parse_arguments(ARG "" "NAME" "SOURCES;DEPENDS" ${ARGN})
  add_executable(${ARG_NAME} ${ARG_SOURCES})
  creel_include_root(${ARG_NAME} PRIVATE)
  target_link_libraries(${ARG_NAME} PRIVATE creel_common ${ARG_DEPENDS})
endfunction()

# creel_driver(NAME simulated SOURCES ... DEPENDS ...): a plugin, built to build/drivers/NAME.so.
function(creel_driver)
  cmake_parse_arguments(ARG "" "NAME" "SOURCES;DEPENDS" ${ARGN})
  add_library(driver_${ARG_NAME} MODULE ${ARG_SOURCES})
  set_target_properties(driver_${ARG_NAME} PROPERTIES PREFIX "" OUTPUT_NAME ${ARG_NAME}
    C_VISIBILITY_PRESET hidden CXX_VISIBILITY_PRESET hidden)
  creel_include_root(driver_${ARG_NAME} PRIVATE)
  target_link_libraries(driver_${ARG_NAME} PRIVATE creel_common ${ARG_DEPENDS})
endfunction()

# creel_test(NAME ring SOURCES ring_test.cpp DEPENDS protocol_ring [LABELS system]): a GoogleTest program.
function(creel_test)
  cmake_parse_arguments(ARG "" "NAME;TIMEOUT" "SOURCES;DEPENDS;LABELS" ${ARGN})
  add_executable(test_${ARG_NAME} ${ARG_SOURCES})
  target_link_libraries(test_${ARG_NAME} PRIVATE creel_common ${ARG_DEPENDS} GTest::gtest GTest::gmock GTest::gtest_main)
  creel_precompile(test_${ARG_NAME} creel_precompiled_tests)
  set_target_properties(test_${ARG_NAME} PROPERTIES RUNTIME_OUTPUT_DIRECTORY ${CMAKE_BINARY_DIR}/tests)
  if(NOT ARG_TIMEOUT)
    set(ARG_TIMEOUT 120)
  endif()
  if(CREEL_SANITIZE)  # several times slower, and slower still on a busy machine
    math(EXPR ARG_TIMEOUT "${ARG_TIMEOUT} * 4")
  endif()
  add_test(NAME ${ARG_NAME} COMMAND test_${ARG_NAME})
  set_tests_properties(${ARG_NAME} PROPERTIES TIMEOUT ${ARG_TIMEOUT} LABELS "${ARG_LABELS}"
    ENVIRONMENT "CREEL_BIN=${CMAKE_BINARY_DIR}/bin;CREEL_DRIVERS=${CMAKE_BINARY_DIR}/drivers;CREEL_SOURCE=${PROJECT_SOURCE_DIR}")
endfunction()
