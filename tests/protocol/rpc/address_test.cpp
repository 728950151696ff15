#include "protocol/rpc/address.h"

#include <gtest/gtest.h>

#include <map>

namespace creel::rpc {
namespace {

Result<std::string> path_with(std::map<std::string, std::string> variables, uid_t user = 1000) {
  return socket_path(
      [variables = std::move(variables)](const char* name) -> std::optional<std::string> {
        const auto found = variables.find(name);
        return found == variables.end() ? std::nullopt : std::optional(found->second);
      },
      user);
}

TEST(RpcAddress, FollowsTheRuleInItsOrder) {
  EXPECT_EQ(*path_with({{"CREEL_SOCKET", "/a/b.sock"}, {"XDG_RUNTIME_DIR", "/run/user/1000"}}),
            "/a/b.sock");
  EXPECT_EQ(*path_with({{"XDG_RUNTIME_DIR", "/run/user/1000"}, {"HOME", "/home/ana"}}),
            "/run/user/1000/creel/creeld.sock");
  EXPECT_EQ(*path_with({{"HOME", "/root"}}, 0), "/run/creel/creeld.sock");
  EXPECT_EQ(*path_with({{"XDG_STATE_HOME", "/home/ana/state"}, {"HOME", "/home/ana"}}),
            "/home/ana/state/creel/creeld.sock");
  EXPECT_EQ(*path_with({{"HOME", "/home/ana"}}), "/home/ana/.local/state/creel/creeld.sock");
}

TEST(RpcAddress, AnEmptyVariableCountsAsUnset) {
  EXPECT_EQ(*path_with({{"CREEL_SOCKET", ""}, {"XDG_RUNTIME_DIR", ""}, {"HOME", "/home/ana"}}),
            "/home/ana/.local/state/creel/creeld.sock");
}

TEST(RpcAddress, SaysWhatToSetWhenNothingIs) {
  const auto path = path_with({});
  ASSERT_FALSE(path.ok());
  EXPECT_EQ(path.error().code, ErrorCode::refused);
  EXPECT_NE(path.error().text.find("CREEL_SOCKET"), std::string::npos);
}

TEST(RpcAddress, RefusesRelativeAndOverlongPaths) {
  EXPECT_EQ(path_with({{"CREEL_SOCKET", "creeld.sock"}}).error().code, ErrorCode::invalid_request);
  // unix(7): sun_path has 108 bytes on Linux, the last one for the terminating zero.
  EXPECT_TRUE(path_with({{"CREEL_SOCKET", "/" + std::string(106, 'x')}}).ok());
  const auto path = path_with({{"CREEL_SOCKET", "/" + std::string(107, 'x')}});
  ASSERT_FALSE(path.ok());
  EXPECT_EQ(path.error().code, ErrorCode::invalid_request);
  EXPECT_NE(path.error().text.find("107"), std::string::npos) << path.error().text;
}

}  // namespace
}  // namespace creel::rpc
