#include "client/cli/last_session.h"

#include <algorithm>
#include <utility>
#include <vector>

#include "client/cli/calibrate.h"
#include "client/cli/link.h"
#include "protocol/session/reader.h"

namespace creel::cli {

using nlohmann::json;

Result<LastSession> last_session(const Common& common) {
  auto place = place_of(common);
  if (!place.ok()) return place.error();
  auto called = call_once("session", common.socket, "session.list");
  if (called.failed) return Error{ErrorCode::refused, "creeld cannot be reached"};
  std::vector<std::pair<std::string, std::string>> by_time;  // the time in the name, the name
  for (const json& session : list_of(called.result, "sessions")) {
    const std::string name = text_of(session, "name");
    const std::size_t dash = name.rfind('-');
    if (text_of(session, "state") == "closed" && dash != std::string::npos &&
        !name.starts_with("calibrate-")) {
      by_time.emplace_back(name.substr(dash + 1), name);
    }
  }
  std::sort(by_time.rbegin(), by_time.rend());
  const auto source = session::native_source();
  for (const auto& [stamp, name] : by_time) {
    const std::string path = place->sessions + "/" + name + ".h5";
    auto reader = session::Reader::open(*source, path);
    if (!reader.ok()) continue;
    const session::Documents& documents = (*reader)->documents();
    auto series = parse_series(documents.series_text, path);
    auto rig = parse_rig(documents.rig_text, path);
    if (series.ok() && rig.ok() && rig->name == place->rig) {
      return LastSession{documents.name, rig->name, place->sessions, documents.start_utc_ns,
                         std::move(*series)};
    }
  }
  return Error{ErrorCode::refused,
               "no closed session of rig " + place->rig +
                   " says what was typed: give a series file (calibrate: --for FILE)"};
}

}  // namespace creel::cli
