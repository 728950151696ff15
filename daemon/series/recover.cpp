#include "daemon/series/recover.h"

#include <algorithm>
#include <map>
#include <set>
#include <utility>

#include "daemon/series/unfinished.h"
#include "daemon/store/disk_source.h"
#include "daemon/store/fold.h"
#include "daemon/store/session.h"
#include "protocol/base/text.h"
#include "protocol/series/series.h"
#include "protocol/session/reader.h"
#include "protocol/session/verify.h"

namespace creel {

using nlohmann::json;

namespace {

struct Place {
  std::string directory, name;
  [[nodiscard]] std::string folder() const { return directory + "/" + name; }
};

Place place_of(std::string path) {
  const auto strip = [&path] {
    while (path.size() > 1 && path.back() == '/') {
      path.pop_back();
    }
  };
  strip();
  const std::string whole = std::string("/") + session::kWholeName;
  if (path.ends_with(whole)) {
    path.resize(path.size() - whole.size());
    strip();
  }
  const auto slash = path.rfind('/');
  if (slash == std::string::npos) {
    return {".", path};
  }
  return {slash == 0 ? "/" : path.substr(0, slash), path.substr(slash + 1)};
}

// Of the records alone, each attempt counted once: the ledger is not asked here.
json dose_in_records(session::Reader& reader, const Series& series) {
  std::map<std::string, double> given;
  std::set<std::pair<std::uint64_t, std::uint64_t>> counted;
  for (const auto& record : reader.records()) {
    if (counted.insert({record.exposure, record.attempt}).second &&
        record.area < series.areas.size()) {
      given[series.areas[record.area].key()] += record.dose;
    }
  }
  json dose = json::object();
  for (const Area& area : series.areas) {
    dose[area.key()] = {{"records_e_per_a2", given[area.key()]}};
  }
  return dose;
}

std::int64_t end_of(session::Reader& reader) {
  std::int64_t end = reader.documents().start_utc_ns;
  for (const auto& record : reader.records()) {
    end = std::max(end, record.utc_ns + record.exposure_ns);
  }
  return end;
}

json summary_of(session::Reader& reader, const store::Progress& progress, std::int64_t now_utc_ns) {
  const auto& documents = reader.documents();
  json summary = {{"exposures_done", progress.exposures_done},
                  {"frames", progress.frames},
                  {"end_utc", utc_text(end_of(reader))},
                  {"recovered_utc", utc_text(now_utc_ns)}};
  std::string taken = std::to_string(progress.exposures_done);
  if (auto series = parse_series(documents.series_text, documents.name); series.ok()) {
    const auto planned = Plan(*series).size();
    summary["series"] = series->name;
    summary["exposures"] = planned;
    summary["dose"] = dose_in_records(reader, *series);
    taken += " of " + std::to_string(planned);
  }
  const auto ended = ending_of(reader);
  summary["outcome"] = ended ? ended->outcome : "recovered";
  summary["reason"] = (ended && !ended->reason.empty() ? ended->reason + "; " : "") +
                      "recovered after a crash; " + taken + " exposures";
  return summary;
}

// A crash between the two left both the file and the folder.
Result<bool> file_is_there(Disk& disk, const Place& place) {
  const std::string path = place.folder() + ".h5";
  if (!disk.exists(path)) {
    return false;
  }
  const auto source = store::disk_source(disk);
  auto file = session::Reader::open_file(*source, path);
  if (!file.ok() || (*file)->documents().name != place.name) {
    return Error{ErrorCode::refused, path + " is in the way: it is not session " + place.name +
                                         ". Move it elsewhere, then recover " + place.folder()};
  }
  return true;
}

Result<Recovered> verified(Disk& disk, const std::string& path, const RecoverProgress& told) {
  const auto source = store::disk_source(disk);
  auto report = session::verify(*source, path, [&told](std::uint64_t done, std::uint64_t total) {
    if (told) {
      told("verify", done, total);
    }
  });
  auto file = session::Reader::open_file(*source, path);
  if (!report.ok() || !file.ok()) {
    return report.ok() ? file.error() : report.error();
  }
  return Recovered{path, (*file)->documents().summary, session::to_json(*report)};
}

}  // namespace

Result<Recovered> recover_session(Disk& disk, const std::string& path, std::int64_t now_utc_ns,
                                  const RecoverProgress& progress,
                                  const store::Background& background) {
  const Place place = place_of(path);
  if (place.name.ends_with(".h5")) {
    return Error{ErrorCode::invalid_request,
                 path +
                     ": this is one file, so there is nothing to recover; expected the folder of "
                     "an unfinished session"};
  }
  auto session = store::resume_session(disk, place.directory, place.name, background);
  if (!session.ok() && session.error().code == ErrorCode::refused) {
    return Error{ErrorCode::refused,
                 place.folder() +
                     ": a running creeld has this session and closes it by itself when "
                     "its series ends"};
  }
  if (!session.ok()) {
    return session.error();
  }
  auto there = file_is_there(disk, place);
  if (!there.ok()) {
    return there.error();
  }
  if (*there) {
    auto whole = verified(disk, place.folder() + ".h5", progress);
    if (whole.ok() && whole->report.value("intact", false)) {
      session->reset();
      CREEL_TRY(store::remove_folder(disk, place.directory, place.name));
    }
    return whole;
  }
  const auto source = store::disk_source(disk);
  auto reader = session::Reader::open(*source, place.folder());
  if (!reader.ok()) {
    return reader.error();
  }
  const json summary = summary_of(**reader, (*session)->progress(), now_utc_ns);
  CREEL_TRY((*session)->event({{"event", "recovered"},
                               {"utc", utc_text(now_utc_ns)},
                               {"session", place.name},
                               {"text", summary["reason"]}}));
  auto file = (*session)->fold(summary, [&progress](std::uint64_t done, std::uint64_t total) {
    if (progress) {
      progress("fold", done, total);
    }
  });
  return file.ok() ? verified(disk, *file, progress) : file.error();
}

}  // namespace creel
