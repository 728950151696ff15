#include "client/cli/meter.h"

#include <cstdio>
#include <filesystem>

#include "client/cli/link.h"

namespace creel::cli {

using nlohmann::json;

Meter::~Meter() {
  if (drawn_) {
    std::fprintf(stderr, "\r\033[K");
    std::fflush(stderr);
  }
}

void Meter::at(std::uint64_t done, std::uint64_t total) {
  const int percent =
      total == 0 ? 100
                 : static_cast<int>(100.0 * static_cast<double>(done) / static_cast<double>(total));
  if (!shown_ || percent == last_) {
    return;
  }
  last_ = percent;
  drawn_ = true;
  std::fprintf(stderr, "\r\033[K%s: frame %llu/%llu, %d %%", what_.c_str(),
               static_cast<unsigned long long>(done), static_cast<unsigned long long>(total),
               percent);
  std::fflush(stderr);
}

Result<std::string> locate(const Common& common, const std::string& session) {
  std::error_code ignored;
  if (std::filesystem::exists(session, ignored)) {
    return session;
  }
  const Error nothing{ErrorCode::invalid_request,
                      "there is no session " + session +
                          ": no such path, and none of creeld's sessions ('creel list') has "
                          "that name"};
  auto link = Link::open(common.socket);
  auto listed = link.ok() ? link->call("session.list") : Result<json>(link.error());
  if (!listed.ok()) {
    return nothing;
  }
  for (const json& one : list_of(*listed, "sessions")) {
    if (text_of(one, "name") == session) {
      return text_of(one, "path");
    }
  }
  return nothing;
}

}  // namespace creel::cli
