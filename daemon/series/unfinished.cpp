#include "daemon/series/unfinished.h"

#include <algorithm>
#include <map>
#include <utility>

#include "daemon/store/disk_source.h"
#include "daemon/store/fold.h"

namespace creel {

using nlohmann::json;

namespace {

std::string text_in(const json& event, const char* key) {
  const auto found = event.find(key);
  return found != event.end() && found->is_string() ? found->get<std::string>() : "";
}

Result<UnfinishedSession> look_at(Disk& disk, const std::string& directory,
                                  const std::string& name) {
  const auto source = store::disk_source(disk);
  auto reader = session::Reader::open(*source, directory + "/" + name);
  if (!reader.ok()) {
    return reader.error();
  }
  UnfinishedSession session{name, store::start_from((*reader)->documents(), directory), {}};
  if (auto log = (*reader)->events(); log.ok()) {
    session.ended = ending_of(*log);
  }
  return session;
}

}  // namespace

std::optional<Ending> ending_of(const session::EventLog& log) {
  std::optional<Ending> ending;
  for (const json& event : log.events) {
    const auto what = text_in(event, "event");
    if (what == "ended") {
      const auto outcome = text_in(event, "outcome");
      ending = Ending{outcome.empty() ? "ended" : outcome, text_in(event, "reason")};
    }
  }
  return ending;
}

Earlier earlier_in(const session::EventLog& log) {
  Earlier earlier;
  for (const json& event : log.events) {
    const auto what = text_in(event, "event");
    if (what == "measures") {
      if (auto measures = measures_from_json(event)) {
        earlier.measures.push_back(std::move(*measures));
      }
    } else if (what == "guard" && event.contains("axis_offset_ev") &&
               event["axis_offset_ev"].is_number()) {
      earlier.axis_offset_ev = event["axis_offset_ev"];
    }
  }
  return earlier;
}

Earlier look_back(Disk& disk, const std::string& directory, const std::string& name) {
  const auto source = store::disk_source(disk);
  auto reader = session::Reader::open(*source, directory + "/" + name);
  if (!reader.ok()) {
    return {};
  }
  Earlier earlier;
  if (auto log = (*reader)->events(); log.ok()) {
    earlier = earlier_in(*log);
  }
  std::map<std::int64_t, std::size_t> taken;
  const auto records = (*reader)->records();
  for (std::size_t i = records.size(); i-- > 0;) {
    const session::Record& record = records[i];
    if (record.kind != static_cast<std::uint8_t>(ExposureKind::dark) ||
        taken[record.exposure_set_ns] == kMostDarks) {
      continue;
    }
    Earlier::Dark dark{record, std::vector<std::byte>((*reader)->documents().shape.bytes())};
    if ((*reader)->read_frame(i, dark.frame).ok()) {
      ++taken[record.exposure_set_ns];
      earlier.darks.push_back(std::move(dark));
    }
  }
  std::reverse(earlier.darks.begin(), earlier.darks.end());
  return earlier;
}

LeftSession left_as_it_is(const std::string& directory, const std::string& name,
                          const std::string& why) {
  const std::string path = directory + "/" + name;
  return {name, path,
          "session " + name + " stays unfinished (" + why +
              "): everything in it can be read; 'creel recover " + path +
              "' makes one file of it, 'creel verify " + path + "' says what is in it"};
}

Result<Unfinished> find_unfinished(Disk& disk, const std::string& directory) {
  auto names = store::unfinished_sessions(disk, directory);
  if (!names.ok()) {
    return names.error();
  }
  Unfinished found;
  for (const std::string& name : *names) {
    auto session = look_at(disk, directory, name);
    if (!session.ok()) {
      found.others.push_back(left_as_it_is(directory, name, session.error().text));
      continue;
    }
    auto& latest = found.latest;
    const bool later = !latest || session->start.start_utc_ns >= latest->start.start_utc_ns;
    if (latest) {
      found.others.push_back(left_as_it_is(directory, later ? latest->name : name,
                                           "only the one that began last is taken up"));
    }
    if (later) {
      latest = std::move(*session);
    }
  }
  return found;
}

}  // namespace creel
