// verify, recap and picture: what is on disk. All read only, and work without creeld.

#include "client/cli/commands.h"
#include "client/cli/meter.h"
#include "client/report/picture.h"
#include "client/report/recap.h"
#include "protocol/base/text.h"
#include "protocol/session/reader.h"
#include "protocol/session/verify.h"

namespace creel::cli {

using nlohmann::json;

namespace {

std::string counted(std::uint64_t n, const std::string& what) {
  return std::to_string(n) + " " + what;
}

std::string report_text(const session::Report& report) {
  std::string text = report.path + ": " + (report.intact() ? "intact" : "DAMAGED") + ", " +
                     counted(report.frames, report.frames == 1 ? "frame" : "frames") + " whole";
  const auto add = [&text](std::uint64_t n, const char* what) {
    text += n > 0 ? ", " + counted(n, what) : "";
  };
  add(report.frames_damaged, "damaged");
  add(report.records_damaged, "without a record");
  add(report.sequences_missing, "missing");
  add(report.unfinished, "unfinished at the end (never counted as safe)");
  add(report.events, "events");
  add(report.events_damaged, "events damaged");
  for (const session::AreaDose& dose : report.doses) {
    text += "\n  area " + (dose.name.empty() ? std::to_string(dose.area) : dose.name) + ": " +
            number(dose.dose) + " e/A^2 in " +
            counted(dose.exposures, dose.exposures == 1 ? "exposure" : "exposures") +
            (dose.lost > 0 ? ", " + number(dose.lost) + " charged without a frame" : "") + ", " +
            number(dose.before) + " before, " + number(dose.total) + " in all" +
            (dose.told_to_the_end ? "" : " up to the last frame");
  }
  for (const session::Finding& finding : report.findings) {
    text += "\n  " + std::string(session::severity_name(finding.severity)) + ": " + finding.place +
            ": " + finding.sentence;
  }
  return text;
}

}  // namespace

Answer verify(const Common& common, const std::vector<std::string>& sessions) {
  Answer answer;
  answer.object["sessions"] = json::array();
  const auto source = session::native_source();
  for (const std::string& session : sessions) {
    auto path = locate(common, session);
    if (!path.ok()) {
      return failure("verify", Exit::wrong, path.error());
    }
    Meter meter(common.progress, "verify");
    auto report = session::verify(
        *source, *path,
        [&meter](std::uint64_t done, std::uint64_t total) { meter.at(done, total); });
    if (!report.ok()) {
      return failure("verify", exit_of(report.error().code), report.error());
    }
    answer.object["sessions"].push_back(session::to_json(*report));
    answer.text += (answer.text.empty() ? "" : "\n") + report_text(*report);
    if (!report->intact()) {
      answer.exit = Exit::no;
    }
  }
  if (answer.exit == Exit::no) {
    answer.trouble =
        "creel verify: damage was found\n  safe: every frame that is counted whole above matches "
        "its checksum; nothing "
        "was changed by verifying.\n  next: copy the session elsewhere before anything else, and "
        "look at the disk.";
  }
  return answer;
}

Answer recap(const Common& common, const std::string& session, bool all) {
  auto path = locate(common, session);
  if (!path.ok()) {
    return failure("recap", Exit::wrong, path.error());
  }
  const auto source = session::native_source();
  auto reader = session::Reader::open(*source, *path);
  if (!reader.ok()) {
    return failure("recap", exit_of(reader.error().code), reader.error());
  }
  auto log = (*reader)->events();
  if (!log.ok()) {
    return failure("recap", exit_of(log.error().code), log.error());
  }
  const report::Recap told = report::compose_recap(**reader, *log, all);
  Answer answer;
  answer.object = report::to_json(told);
  answer.object["path"] = *path;
  answer.text = report::recap_text(told);
  if (answer.text.find("shutter") != std::string::npos) {
    answer.object["safety"] = kNotAnInterlock;
    answer.text += std::string("\n") + kNotAnInterlock;
  }
  return answer;
}

Answer picture(const Common& common, const std::string& session, const std::string& base) {
  auto path = locate(common, session);
  if (!path.ok()) {
    return failure("picture", Exit::wrong, path.error());
  }
  const auto source = session::native_source();
  auto reader = session::Reader::open(*source, *path);
  if (!reader.ok()) {
    return failure("picture", exit_of(reader.error().code), reader.error());
  }
  Result<report::Picture> drawn = Error{};
  {
    Meter meter(common.progress, "picture");
    drawn = report::draw_picture(**reader, base, [&meter](std::uint64_t done, std::uint64_t total) {
      meter.at(done, total);
      return true;
    });
  }
  if (!drawn.ok()) {
    return failure("picture", exit_of(drawn.error().code), drawn.error());
  }
  Answer answer;
  const analysis::Spectrum& spectrum = drawn->sums.spectrum;
  answer.object = {{"svg", drawn->svg},
                   {"png", drawn->png},
                   {"kind", exposure_kind_name(spectrum.kind)},
                   {"frames", spectrum.frames},
                   {"darks", spectrum.darks},
                   {"dark_corrected", spectrum.dark_corrected},
                   {"remarks", drawn->sums.remarks}};
  answer.text = drawn->svg + "\n" + drawn->png + "\nsum of " + std::to_string(spectrum.frames) +
                " " + std::string(exposure_kind_name(spectrum.kind)) + " frames";
  for (const std::string& remark : drawn->sums.remarks) {
    answer.text += "\nnote: " + remark;
  }
  return answer;
}

}  // namespace creel::cli
