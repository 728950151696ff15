# Every package Creel builds on. Versions are those of Debian 12; DEVELOPERS.md says why each was chosen.
find_package(Threads REQUIRED)
find_package(Boost 1.81 REQUIRED)
find_package(spdlog 1.10 REQUIRED)
find_package(nlohmann_json 3.11 REQUIRED)
find_package(CLI11 2.1 REQUIRED)
find_package(SQLite3 3.40 REQUIRED)
find_package(ZLIB REQUIRED)
find_package(PkgConfig REQUIRED)
find_package(Eigen3 3.4 REQUIRED NO_MODULE)
pkg_check_modules(HDF5 REQUIRED IMPORTED_TARGET hdf5-serial)
find_library(HDF5_CPP_LIBRARY hdf5_serial_cpp REQUIRED)
pkg_check_modules(LZ4 REQUIRED IMPORTED_TARGET liblz4)
pkg_check_modules(MOSQUITTO REQUIRED IMPORTED_TARGET libmosquitto)
pkg_check_modules(SECCOMP REQUIRED IMPORTED_TARGET libseccomp)
pkg_check_modules(ARAVIS IMPORTED_TARGET aravis-0.8)  # only the genicam driver needs it

add_library(creel_hdf5 INTERFACE)
target_link_libraries(creel_hdf5 INTERFACE ${HDF5_CPP_LIBRARY} PkgConfig::HDF5)

if(CREEL_TESTS)
  find_package(GTest 1.12 REQUIRED)
  pkg_check_modules(XRAYLIB REQUIRED IMPORTED_TARGET libxrl)  # edge energies to check ours against
endif()
