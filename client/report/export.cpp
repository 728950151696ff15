#include "client/report/export.h"

#include <nlohmann/json.hpp>

#include "protocol/base/text.h"
#include "protocol/json/strict_json.h"

namespace creel::report {

namespace {

using nlohmann::json;

std::optional<double> number_in(const json& document, const char* group, const char* field) {
  const json value = field_of(document, group, field);
  return value.is_number() ? std::optional(value.get<double>()) : std::nullopt;
}

std::string text_in(const json& document, const char* field) {
  const json value = document.is_object() ? document.value(field, json()) : json();
  return value.is_string() && value != "unknown" ? value.get<std::string>() : "";
}

void add_remarks(const session::Reader& reader, const Sums& sums, const json& series,
                 ExportedSpectrum& spectrum) {
  const auto add = [&spectrum](const char* name, const char* unit, std::string value) {
    spectrum.remarks.push_back({name, unit, std::move(value)});
  };
  add("SESSION", "", reader.documents().name);
  add("KIND", "", std::string(exposure_kind_name(sums.spectrum.kind)));
  add("FRAMES", "", std::to_string(sums.spectrum.frames));
  add("DARKS", "", std::to_string(sums.spectrum.darks));
  for (const auto& [area, dose] : sums.doses) {
    add("AREA", "", area);
    add("DOSE", "e/A2", number(dose, 6));
  }
  struct Field {
    const char *name, *unit, *field;
  };
  for (const Field& one :
       {Field{"LASERWL", "nm", "wavelength_nm"}, Field{"LASERWID", "fs", "pulse_width_fs"},
        Field{"LASERREP", "Hz", "repetition_rate_khz"},
        Field{"LASEREN", "nJ", "pulse_energy_nj"}}) {
    if (const auto value = number_in(series, "laser", one.field)) {
      const double scale = std::string_view(one.unit) == "Hz" ? 1e3 : 1.0;
      add(one.name, one.unit, number(*value * scale, 6));
    }
  }
  for (const std::string& remark : sums.remarks) {
    add("NOTE", "", remark);
  }
  add("AXIS", "", "as typed in the series file, not calibrated");
}

}  // namespace

Result<ExportedSpectrum> spectrum_to_export(session::Reader& reader, const Progress& progress) {
  auto sums = sum_session(reader, progress);
  if (!sums.ok()) {
    return sums.error();
  }
  if (!sums->axis) {
    return Error{ErrorCode::refused,
                 "session " + sums->session +
                     " does not say one dispersion and energy offset for these frames; a spectrum "
                     "without an energy axis is not exported"};
  }
  auto parsed = parse_strict(reader.documents().series_text);
  const json series = parsed.ok() ? *parsed : json();
  ExportedSpectrum spectrum;
  spectrum.title = sums->title;
  spectrum.owner = text_in(series, "operator");
  spectrum.start_utc_ns = reader.documents().start_utc_ns;
  spectrum.first_ev = sums->axis->at(0.5);
  spectrum.ev_per_channel = sums->axis->ev_per_channel;
  spectrum.counts = sums->spectrum.counts;
  spectrum.sigma = sums->spectrum.sigma;
  spectrum.high_tension_kv = number_in(series, "microscope", "high_tension_kv");
  spectrum.convergence_mrad = number_in(series, "microscope", "convergence_semi_angle_mrad");
  spectrum.collection_mrad = number_in(series, "microscope", "collection_semi_angle_mrad");
  spectrum.thickness_nm = number_in(series, "specimen", "thickness_nm");
  spectrum.exposure_ms = in_seconds(sums->spectrum.exposure) * 1e3;
  add_remarks(reader, *sums, series, spectrum);
  return spectrum;
}

}  // namespace creel::report
