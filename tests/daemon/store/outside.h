// Programs that are not ours, to read and write sessions with.
#pragma once

#include <array>
#include <cstdio>
#include <string>

namespace creel::store {

inline constexpr const char* kPython = "/usr/bin/python3";

/// Output of a shell command, standard error included.
inline std::string run(const std::string& command) {
  std::string output;
  FILE* pipe = ::popen((command + " 2>&1").c_str(), "r");
  std::array<char, 4096> buffer{};
  while (pipe != nullptr && std::fgets(buffer.data(), buffer.size(), pipe) != nullptr) {
    output += buffer.data();
  }
  if (pipe != nullptr) {
    ::pclose(pipe);
  }
  return output;
}

inline bool has_h5py() {
  return run(std::string(kPython) + " -c 'import h5py; print(1)'") == "1\n";
}

}  // namespace creel::store
