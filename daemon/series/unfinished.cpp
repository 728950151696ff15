#include "daemon/series/unfinished.h"

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
  session.ended = ending_of(**reader);
  return session;
}

}  // namespace

void look_for_ending(const json& event, std::optional<Ending>& ending) {
  if (text_in(event, "event") == "ended") {
    const auto outcome = text_in(event, "outcome");
    ending = Ending{outcome.empty() ? "ended" : outcome, text_in(event, "reason")};
  }
}

std::optional<Ending> ending_of(session::Reader& session) {
  std::optional<Ending> ending;
  const auto log = session.each_event(
      [&ending](const json& event) { look_for_ending(event, ending); }, {"\"ended\""});
  return log.ok() ? ending : std::nullopt;
}

void Earlier::take(const json& event) {
  const auto what = text_in(event, "event");
  if (what == "measures") {
    if (auto found = measures_from_json(event)) {
      past.push_back({GuardPast::What::measured, std::move(*found)});
    }
  } else if (what == "continue") {
    past.push_back({GuardPast::What::went_on, {}});
  } else if (what == "guard" && event.contains("axis_offset_ev") &&
             event["axis_offset_ev"].is_number()) {
    axis_offset_ev = event["axis_offset_ev"];
    past.push_back({GuardPast::What::recentred, {}});
  }
}

Earlier look_back(Disk& disk, const std::string& directory, const std::string& name) {
  const auto source = store::disk_source(disk);
  auto reader = session::Reader::open(*source, directory + "/" + name);
  if (!reader.ok()) {
    return {};
  }
  Earlier earlier;
  (void)(*reader)->each_event([&earlier](const json& event) { earlier.take(event); },
                              {"\"measures\"", "\"continue\"", "\"axis_offset_ev\""});
  return earlier;
}

Result<void> each_frame_of(
    Disk& disk, const std::string& directory, const std::string& name,
    const std::function<void(const session::Record&, std::span<const std::byte>)>& take) {
  const auto source = store::disk_source(disk);
  auto reader = session::Reader::open(*source, directory + "/" + name);
  if (!reader.ok()) {
    return reader.error();
  }
  PageBytes frame((*reader)->documents().shape.bytes());
  const auto records = (*reader)->records();
  for (std::size_t i = 0; i < records.size(); ++i) {
    CREEL_TRY((*reader)->read_frame(i, frame));
    take(records[i], frame);
  }
  return {};
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
