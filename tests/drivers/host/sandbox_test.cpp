// What a driver finds when it tries what it was not granted, from inside a real host.
#include <fcntl.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <cerrno>
#include <cstdlib>
#include <string>

#include "tests/drivers/host/host_under_test.h"

namespace creel::tests {
namespace {

using nlohmann::json;

// A file that the driver asks for.
class SomeFile {
 public:
  SomeFile() {
    char path[] = "/tmp/creel-some-file-XXXXXX";
    ::close(::mkstemp(path));
    path_ = path;
  }
  ~SomeFile() { ::unlink(path_.c_str()); }
  SomeFile(const SomeFile&) = delete;
  SomeFile& operator=(const SomeFile&) = delete;
  [[nodiscard]] const std::string& path() const { return path_; }

 private:
  std::string path_;
};

class Sandbox : public ::testing::Test {
 protected:
  // {what open found, what the open device finds}
  void look(const json& sandbox) {
    auto opened = host.open(plugin("curious"), "gauge", {{"file", file.path()}}, sandbox);
    ASSERT_TRUE(opened.ok()) << opened.error().text;
    during_open = (*opened)["describe"];
    later = host.call("settings").value();
    for (const json& event : host.events) {
      if (event.value("level", "") == "warning") {
        GTEST_SKIP() << "this kernel cannot: " << event["text"];
      }
    }
  }
  static bool denied(const json& found, const char* what) {
    return found[what] == EPERM || found[what] == EACCES;
  }

  SomeFile file;
  HostUnderTest host;
  json during_open, later;
};

TEST_F(Sandbox, NothingGrantedMeansNothingButComputing) {
  look(json::object());
  for (const json& found : {during_open, later}) {
    for (const char* what : {"inet", "inet_smuggled", "unix", "netlink", "packet", "exec", "fork",
                             "kill_parent", "ptrace", "unshare", "chmod", "read_passwd",
                             "list_root", "read_file", "write_file", "create", "unlink"}) {
      EXPECT_TRUE(denied(found, what)) << what << ": " << found.dump();
    }
    EXPECT_EQ(found["thread"], 0) << "vendors' libraries start threads";
    EXPECT_EQ(found["read_self"], 0);
  }
}

TEST_F(Sandbox, NetworkGrantsSocketsBeforeAndAfterOpenForReconnecting) {
  look({{"network", true}});
  for (const json& found : {during_open, later}) {
    EXPECT_EQ(found["inet"], 0);
    EXPECT_EQ(found["unix"], 0);
    EXPECT_EQ(found["netlink"], 0);
    EXPECT_TRUE(denied(found, "packet")) << found.dump();
    EXPECT_TRUE(denied(found, "exec"));
    EXPECT_TRUE(denied(found, "write_file"));
  }
}

TEST_F(Sandbox, AReadPathIsReadableAndNotWritable) {
  look({{"read_paths", {file.path()}}});
  EXPECT_EQ(during_open["read_file"], 0);
  EXPECT_EQ(later["read_file"], 0);
  EXPECT_TRUE(denied(later, "write_file"));
  EXPECT_TRUE(denied(later, "read_passwd"));
}

TEST_F(Sandbox, AWritePathStaysWritableForReconnectingAndNothingElseBecomesSo) {
  look({{"write_paths", {file.path()}}});
  EXPECT_EQ(during_open["write_file"], 0);
  EXPECT_EQ(later["write_file"], 0);
  EXPECT_TRUE(denied(later, "create"));
  EXPECT_TRUE(denied(later, "unlink"));
}

TEST(SandboxWarnings, AGrantThatDoesNotExistIsToldInTheLog) {
  HostUnderTest host;
  ASSERT_TRUE(
      host.open(plugin("obliging"), "gauge", json::object(), {{"read_paths", {"/no/such/place"}}})
          .ok());
  EXPECT_EQ(host.event("log")["text"],
            "sandbox: cannot grant /no/such/place to the driver (No such file or directory)");
}

TEST(SandboxWarnings, SwitchedOffForDebuggingItSaysSoInTheLog) {
  HostUnderTest host;
  ASSERT_TRUE(host.open(plugin("obliging"), "gauge", json::object(), {{"off", true}}).ok());
  const json event = host.event("log");
  EXPECT_EQ(event["level"], "warning");
  EXPECT_EQ(event["text"],
            "sandbox: switched off by the rig; the driver can do all that its user can");
}

}  // namespace
}  // namespace creel::tests
