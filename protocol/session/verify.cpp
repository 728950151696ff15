#include "protocol/session/verify.h"

#include <algorithm>
#include <set>
#include <utility>

#include "protocol/session/documents.h"
#include "protocol/session/doses.h"
#include "protocol/session/electron_event.h"
#include "protocol/session/folder_reader.h"
#include "protocol/session/metadata.h"
#include "protocol/session/nexus_rules.h"
#include "protocol/session/paths.h"

namespace creel::session {

namespace {

using nlohmann::json;
using Told = std::function<void(std::uint64_t, std::uint64_t)>;

class Check {
 public:
  Check(FileSource& source, std::string path) : source_(source), path_(std::move(path)) {
    report_.path = path_;
  }

  Report run(Reader& reader, const Told& progress) {
    report_.folded = reader.folded();
    report_.unfinished = reader.unfinished();
    faults(reader);
    metadata(reader);
    frames(reader, progress);
    const auto log = reader.events();
    sequences(reader, log);
    events(log);
    report_.doses = check_doses(reader, log.ok() ? &*log : nullptr, [this](Finding finding) {
      report_.findings.push_back(std::move(finding));
    });
    return std::move(report_);
  }

  Report unreadable(const Error& error) {
    add(Severity::error, path_, error.text);
    return std::move(report_);
  }

 private:
  void add(Severity severity, std::string place, std::string sentence) {
    report_.findings.push_back({severity, std::move(place), std::move(sentence)});
  }

  void faults(const Reader& reader) {
    for (const auto& fault : reader.faults()) {
      report_.records_damaged += fault.kind == FaultKind::record ? 1 : 0;
      add(Severity::error, fault.place, fault.sentence);
    }
    if (reader.unfinished() > 0) {
      add(Severity::note, path_,
          std::to_string(reader.unfinished()) +
              " frames at the end were being written when the power failed or the daemon ended; "
              "they "
              "had not been acknowledged");
    }
    if (reader.moved() > 0) {
      add(Severity::note, path_,
          std::to_string(reader.moved()) +
              " frames were moved to another piece after a disk error; the later copy counts");
    }
  }

  void metadata(const Reader& reader) {
    const auto file = hdf5_path(reader);
    Hdf5Files files(source_);
    std::vector<RuleFault> broken;
    auto looked = with_hdf5("reading " + file, ErrorCode::corrupt, &files, [&] {
      const H5::H5File opened(file, H5F_ACC_RDONLY, H5::FileCreatPropList::DEFAULT,
                              files.access(true));
      complete(opened, reader);
      broken = broken_nexus_rules(opened);
    });
    for (auto& fault : broken) {
      add(Severity::warning, std::move(fault.place), "NeXus: " + fault.sentence);
    }
    if (!looked.ok()) {
      add(Severity::error, file, looked.error().text);
    }
    document(kPathSeries, "series", reader.documents().series_text);
    document(kPathRig, "rig", reader.documents().rig_text);
  }

  void complete(const H5::H5File& file, const Reader& reader) {
    for (const auto& expected : expected_metadata(reader.documents(), reader.folded())) {
      if (!path_exists(file, expected.path)) {
        add(Severity::error, expected.path,
            std::string("is not there: ") + expected.item->what + ", from " +
                std::string(from_name(expected.item->from)));
      }
    }
    if (reader.documents().devices.is_object()) {
      settings(file, "/entry/creel/devices", reader.documents().devices);
    }
  }

  // Every setting and every word of a description: a field of its own.
  void settings(const H5::H5File& file, const std::string& path, const json& object) {
    for (const auto& [key, value] : object.items()) {
      const auto here = path + "/" + nexus_name(key);
      if (value.is_object()) {
        settings(file, here, value);
      } else if (!value.is_null() && !path_exists(file, here)) {
        add(Severity::error, here, "is not there, though the device gave it");
      }
    }
  }

  void document(const char* place, const std::string& what, const std::string& text) {
    if (!json::parse(text, nullptr, false).is_object()) {
      add(Severity::warning, place, "the " + what + " document is not a JSON object");
    }
  }

  [[nodiscard]] std::string hdf5_path(const Reader& reader) const {
    if (path_.ends_with(".h5")) {
      return path_;
    }
    return path_ + (reader.folded() ? ".h5" : std::string("/") + kWholeName);
  }

  void frames(Reader& reader, const Told& progress) {
    std::vector<std::byte> frame(reader.documents().shape.bytes());
    const auto total = reader.records().size();
    for (std::size_t i = 0; i < total; ++i) {
      auto read = reader.read_frame(i, frame);
      if (read.ok()) {
        report_.frames += 1;
        electrons(reader, i, frame);
      } else {
        report_.frames_damaged += 1;
        add(Severity::error, reader.place(i), read.error().text);
      }
      if (progress) {
        progress(i + 1, total);
      }
    }
  }

  // The bytes are as they were written; whether they can be what a sensor saw is another question.
  void electrons(const Reader& reader, std::size_t index, std::span<const std::byte> frame) {
    const FrameShape& shape = reader.documents().shape;
    const Record& record = reader.records()[index];
    if (!shape.lists_events()) {
      return;
    }
    if (auto fault = fault_of_events(shape, frame, record.events, record.exposure_ns)) {
      add(Severity::error, reader.place(index), *fault);
    }
    if (record.events_lost > 0) {
      add(Severity::note, reader.place(index),
          "the detector had no room for " + std::to_string(record.events_lost) +
              " more electrons: its counts are too low");
    }
  }

  // Sequence numbers that the store itself said were lost before they were acknowledged.
  static std::set<std::pair<std::uint64_t, std::uint64_t>> excused(const Result<EventLog>& log) {
    std::set<std::pair<std::uint64_t, std::uint64_t>> gaps;
    if (log.ok()) {
      for (const auto& event : log->events) {
        const auto first = event.find("first_sequence");
        const auto last = event.find("last_sequence");
        if (event.value("event", json()) == "never_acknowledged" && first != event.end() &&
            last != event.end() && first->is_number_unsigned() && last->is_number_unsigned()) {
          gaps.emplace(first->get<std::uint64_t>(), last->get<std::uint64_t>());
        }
      }
    }
    return gaps;
  }

  void sequences(const Reader& reader, const Result<EventLog>& log) {
    const auto gaps = excused(log);
    std::uint64_t next = 0;
    const auto records = reader.records();
    for (std::size_t i = 0; i < records.size(); ++i) {
      const auto here = records[i].sequence;
      if (here > next) {
        report_.sequences_missing += here - next;
        const bool known = gaps.contains({next, here - 1}) || !reader.proven(i);
        add(known ? Severity::note : Severity::error, reader.place(i),
            (here - next == 1
                 ? "frame " + std::to_string(next) + " is"
                 : "frames " + std::to_string(next) + " to " + std::to_string(here - 1) + " are") +
                " missing before it" +
                (known ? "; the power failed before anything vouched for them" : ""));
      }
      next = here + 1;
    }
  }

  void events(const Result<EventLog>& log) {
    if (!log.ok()) {
      add(Severity::error, kEventsName, log.error().text);
      return;
    }
    report_.events = log->events.size();
    report_.events_damaged = log->bad_lines.size();
    for (const auto line : log->bad_lines) {
      add(Severity::error, std::string(kEventsName) + " line " + std::to_string(line),
          "does not match its checksum");
    }
    if (log->torn) {
      add(Severity::note, kEventsName,
          "the last line is unfinished: it was being written when the power failed or the daemon "
          "ended, and had not been acknowledged");
    }
  }

  FileSource& source_;
  std::string path_;
  Report report_;
};

std::string without_slash(std::string path) {
  while (path.size() > 1 && path.back() == '/') {
    path.pop_back();
  }
  return path;
}

}  // namespace

std::string_view severity_name(Severity severity) {
  switch (severity) {
    case Severity::note:
      return "note";
    case Severity::warning:
      return "warning";
    case Severity::error:
      return "error";
  }
  return "error";
}

bool Report::intact() const {
  return std::none_of(findings.begin(), findings.end(),
                      [](const Finding& finding) { return finding.severity == Severity::error; });
}

Result<Report> verify(FileSource& source, const std::string& path, const Told& progress) {
  Check check(source, without_slash(path));
  auto reader = Reader::open(source, path);
  if (!reader.ok() && reader.error().code == ErrorCode::invalid_request) {
    return reader.error();
  }
  return reader.ok() ? check.run(**reader, progress) : check.unreadable(reader.error());
}

json to_json(const Report& report) {
  json doses = json::array();
  for (const auto& area : report.doses) {
    json causes = json::array();
    for (const auto& part : area.causes) {
      causes.push_back({{"cause", part.cause},
                        {"dose_per_a2", part.dose},
                        {"sigma_per_a2", part.sigma},
                        {"exposures", part.exposures}});
    }
    doses.push_back({{"area", area.area},
                     {"name", area.name},
                     {"before_per_a2", area.before},
                     {"exposures", area.exposures},
                     {"dose_per_a2", area.dose},
                     {"lost_per_a2", area.lost},
                     {"total_per_a2", area.total},
                     {"told_to_the_end", area.told_to_the_end},
                     {"causes", causes}});
  }
  json findings = json::array();
  for (const auto& finding : report.findings) {
    findings.push_back({{"severity", severity_name(finding.severity)},
                        {"place", finding.place},
                        {"sentence", finding.sentence}});
  }
  return {{"path", report.path},
          {"folded", report.folded},
          {"intact", report.intact()},
          {"frames", report.frames},
          {"frames_damaged", report.frames_damaged},
          {"records_damaged", report.records_damaged},
          {"sequences_missing", report.sequences_missing},
          {"unfinished", report.unfinished},
          {"events", report.events},
          {"events_damaged", report.events_damaged},
          {"doses", doses},
          {"findings", findings}};
}

}  // namespace creel::session
