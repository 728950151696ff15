#include "client/report/evaluation_input.h"

#include <cmath>
#include <span>

#include "protocol/base/text.h"

namespace creel::report {

namespace {

using nlohmann::json;

/// What says which detector took the frames: its identity as it describes itself.
json identity_of(const SessionInput& input) {
  const json devices = input.documents.devices;
  const json described =
      devices.is_object()
          ? devices.value(input.series.detector, json::object()).value("describe", json::object())
          : json::object();
  return described.is_object() ? described.value("identity", json()) : json();
}

}  // namespace

Result<SessionInput> read_session(session::FileSource& source, const std::string& path,
                                  std::shared_ptr<const analysis::GainMap> gain,
                                  const Progress& progress) {
  auto reader = session::Reader::open(source, path);
  if (!reader.ok()) {
    return reader.error();
  }
  SessionInput input;
  input.path = path;
  input.documents = (*reader)->documents();
  auto series = parse_series(input.documents.series_text, input.documents.name + " (its series)");
  if (!series.ok()) {
    return series.error();
  }
  input.series = std::move(*series);
  if (!input.series.dispersion_ev) {
    return Error{ErrorCode::refused,
                 "session " + input.documents.name +
                     " does not say microscope.dispersion_ev_per_channel; without an energy axis "
                     "there is nothing to evaluate"};
  }
  analysis::SpectraCollector collector(
      {input.documents.name, input.documents.shape, *input.series.dispersion_ev, std::move(gain)});
  analysis::CalibrationCollector instrument(input.documents.shape, input.series.gating);
  auto damaged = each_frame(
      **reader, progress,
      [&](const session::Record& record, std::span<const std::byte> frame) -> Result<void> {
        if (!std::isfinite(record.first_channel_ev) &&
            record.kind != static_cast<std::uint8_t>(ExposureKind::dark)) {
          return Error{ErrorCode::refused,
                       "session " + input.documents.name +
                           " does not say microscope.energy_offset_ev; without an energy axis "
                           "there is nothing to evaluate"};
        }
        CREEL_TRY(instrument.add(record, frame));
        return collector.add(analysis::frame_info(record), frame);
      });
  if (!damaged.ok()) {
    return damaged.error();
  }
  input.damaged = *damaged;
  auto spectra = collector.finish();
  if (!spectra.ok()) {
    return spectra.error();
  }
  input.spectra = std::move(*spectra);
  auto log = (*reader)->events();
  const std::vector<json> events = log.ok() ? std::move(log->events) : std::vector<json>{};
  const json& devices = input.documents.devices;
  input.calibration = analysis::calibrate(
      instrument.frames(), input.spectra, analysis::stated_instrument(input.series, devices),
      analysis::power_readings(input.series, devices, events), analysis::shutter_delays(events));
  return input;
}

Result<std::shared_ptr<const analysis::GainMap>> read_gain(session::FileSource& source,
                                                           const std::string& path,
                                                           const Progress& progress) {
  auto reader = session::Reader::open(source, path);
  if (!reader.ok()) {
    return reader.error();
  }
  const session::Documents& documents = (*reader)->documents();
  const auto series = parse_series(documents.series_text, documents.name + " (its series)");
  if (!series.ok()) {
    return series.error();
  }
  analysis::GainReference reference(documents.shape, series->dispersion_ev.value_or(0));
  auto damaged = each_frame(**reader, progress,
                            [&](const session::Record& record, std::span<const std::byte> frame) {
                              return reference.add(analysis::frame_info(record), frame);
                            });
  if (!damaged.ok()) {
    return damaged.error();
  }
  auto map = reference.map(documents.name);
  if (!map.ok()) {
    return map.error().during("session " + documents.name);
  }
  return std::shared_ptr<const analysis::GainMap>(
      std::make_shared<analysis::GainMap>(std::move(*map)));
}

analysis::Conditions conditions_of(const Series& series) {
  const auto typed = [&series](const char* group, const char* field,
                               double unit) -> std::optional<double> {
    const json value = field_of(series.document, group, field);
    return value.is_number() ? std::optional(value.get<double>() * unit) : std::nullopt;
  };
  analysis::Conditions made;
  made.high_tension_ev = typed("microscope", "high_tension_kv", 1e3);
  made.collection_rad = typed("microscope", "collection_semi_angle_mrad", 1e-3);
  made.convergence_rad = typed("microscope", "convergence_semi_angle_mrad", 1e-3);
  made.density_g_per_cm3 = typed("specimen", "density_g_per_cm3", 1);
  made.elements = series.elements;
  made.composition = series.composition;
  return made;
}

std::string differs(const SessionInput& one, const SessionInput& other) {
  const std::string both = one.documents.name + " and " + other.documents.name;
  if (identity_of(one) != identity_of(other)) {
    return both + " were taken with different detectors: " + identity_of(one).dump() + ", " +
           identity_of(other).dump();
  }
  // Whether a frame is a list of events or an image, both are counts on the same sensor.
  if (one.documents.shape.rows != other.documents.shape.rows ||
      one.documents.shape.columns != other.documents.shape.columns) {
    return both + " have frames of different shapes";
  }
  for (const char* field :
       {"dispersion_ev_per_channel", "high_tension_kv", "collection_semi_angle_mrad"}) {
    const json first = field_of(one.series.document, "microscope", field);
    const json second = field_of(other.series.document, "microscope", field);
    if (first != second) {
      return both + " differ in microscope." + field + ": " + first.dump() + ", " + second.dump();
    }
  }
  return "";
}

}  // namespace creel::report
