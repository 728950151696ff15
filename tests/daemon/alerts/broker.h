// A real broker and a real subscriber of Debian's mosquitto, on a free port of this machine: the
// witness from outside for what the daemon publishes.
#pragma once

#include <sys/types.h>

#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <vector>

namespace creel::test {

/// A directory of this test's own, removed at the end.
class Scratch {
 public:
  Scratch();
  ~Scratch();
  Scratch(const Scratch&) = delete;
  Scratch& operator=(const Scratch&) = delete;
  [[nodiscard]] std::string file(const std::string& name) const { return path_ + "/" + name; }
  /// Writes a file and gives its path.
  std::string write(const std::string& name, const std::string& text, unsigned mode = 0600) const;
  [[nodiscard]] std::string read(const std::string& name) const;  ///< "" when it is not there

 private:
  std::string path_;
};

/// A program that runs beside the test; killed at the end.
class Process {
 public:
  /// Standard output and error go to `log`.
  Process(const std::vector<std::string>& words, const std::string& log);
  ~Process();
  Process(const Process&) = delete;
  Process& operator=(const Process&) = delete;
  void kill();  ///< SIGKILL, and waits for it

 private:
  pid_t pid_ = -1;
};

/// Runs a program to its end; its exit code.
int run_to_end(const std::vector<std::string>& words);

/// Looks every few milliseconds; false when it did not come true in half a minute.
bool until(const std::function<bool()>& condition);

class Broker {
 public:
  /// `more` are lines of its configuration beside the listener; without any everybody may connect.
  explicit Broker(const Scratch& scratch, const std::string& more = "allow_anonymous true\n");
  void start();  ///< on the same port; returns once it answers
  void kill() { process_.reset(); }
  [[nodiscard]] std::uint16_t port() const { return port_; }
  [[nodiscard]] std::string log() const { return scratch_.read("broker.log"); }

 private:
  const Scratch& scratch_;
  std::string config_;
  std::uint16_t port_;
  std::unique_ptr<Process> process_;
};

/// Hears everything below creel/: one line each, "RETAINED TOPIC TEXT", RETAINED 1 for what lay
/// there when it came.
class Subscriber {
 public:
  Subscriber(const Scratch& scratch, const Broker& broker);
  [[nodiscard]] std::string heard() const { return scratch_.read(name_); }
  bool hears(const std::string& part) const {
    return until([&] { return heard().find(part) != std::string::npos; });
  }

 private:
  const Scratch& scratch_;
  std::string name_;
  std::unique_ptr<Process> process_;
};

}  // namespace creel::test
