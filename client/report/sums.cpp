#include "client/report/sums.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <map>
#include <nlohmann/json.hpp>

#include "protocol/base/text.h"
#include "protocol/json/strict_json.h"

namespace creel::report {

namespace {

using analysis::EnergyAxis;
using nlohmann::json;
using session::Reader;
using session::Record;

/// Shown in this order: the first kind that has a usable frame.
constexpr std::array kOrder{ExposureKind::specimen, ExposureKind::zero_loss,
                            ExposureKind::background, ExposureKind::gain, ExposureKind::dark};

/// What the series document says about the frames; it was checked when the series started, yet this
/// file may come from anywhere.
void read_document(const json& series, Sums& sums) {
  const json title = series.is_object() ? series.value("title", json()) : json();
  const json name = series.is_object() ? series.value("name", json()) : json();
  sums.title = title.is_string() ? title.get<std::string>()
                                 : (name.is_string() ? name.get<std::string>() : sums.session);
  const json elements = field_of(series, "specimen", "elements");
  for (const json& element : elements.is_array() ? elements : json::array()) {
    if (element.is_string()) {
      sums.elements.push_back(element);
    }
  }
}

/// Of the frames of one kind; nothing when unknown, or not the same for all of them.
std::optional<EnergyAxis> axis_of(const Reader& reader, const json& series, ExposureKind kind) {
  const json dispersion = field_of(series, "microscope", "dispersion_ev_per_channel");
  std::optional<double> first;
  for (const Record& record : reader.records()) {
    if (record.kind != static_cast<std::uint8_t>(kind)) continue;
    if (!std::isfinite(record.first_channel_ev) || (first && *first != record.first_channel_ev)) {
      return std::nullopt;
    }
    first = record.first_channel_ev;
  }
  if (!first || !dispersion.is_number() || !(dispersion.get<double>() > 0)) return std::nullopt;
  return EnergyAxis{*first, dispersion.get<double>()};
}

std::string area_name(const json& series, std::size_t index) {
  if (series.is_object() && series.contains("areas") && series["areas"].is_array() &&
      index < series["areas"].size() && series["areas"][index].is_object()) {
    const json& area = series["areas"][index];
    const json grid = area.value("grid", json());
    const json name = area.value("name", json());
    if (grid.is_string() && name.is_string()) {
      return grid.get<std::string>() + "/" + name.get<std::string>();
    }
  }
  return "area " + std::to_string(index);
}

/// Dose of each area: one attempt of an exposure may have several frames, its dose counts once.
void sum_doses(const Reader& reader, const json& series, Sums& sums) {
  std::map<std::uint16_t, double> doses;
  const Record* before = nullptr;
  for (const Record& record : reader.records()) {
    const bool same = before != nullptr && before->exposure == record.exposure &&
                      before->attempt == record.attempt && before->area == record.area;
    if (record.area != 0xFFFF && !same) {
      doses[record.area] += record.dose;
    }
    before = &record;
  }
  for (const auto& [area, dose] : doses) {
    sums.doses.emplace_back(area_name(series, area), dose);
  }
}

std::string frames_text(std::uint64_t n) {
  return std::to_string(n) + (n == 1 ? " frame" : " frames");
}

void add_remarks(const analysis::SpectrumSum& sum, std::uint64_t damaged, Sums& sums) {
  const analysis::Spectrum& shown = sums.spectrum;
  const auto say = [&sums](std::string sentence) { sums.remarks.push_back(std::move(sentence)); };
  if (shown.kind != ExposureKind::specimen) {
    say("no specimen frames: the sum of the frames of kind " +
        std::string(exposure_kind_name(shown.kind)) + " is shown");
  }
  if (shown.kind != ExposureKind::dark && !shown.dark_corrected) {
    say("no dark frames: the detector's offset is still in the counts");
  }
  if (shown.without_dark > 0) {
    say(frames_text(shown.without_dark) + " left out: no dark has their exposure time");
  }
  if (sum.left_out() > 0) {
    say(frames_text(sum.left_out()) +
        " left out: broken, incomplete, touched by a hold, or no numbers");
  }
  if (damaged > 0) {
    say(frames_text(damaged) + " left out: damaged on disk; see 'creel verify'");
  }
  if (shown.saturated > 0) {
    say(frames_text(shown.saturated) + " saturated: the highest counts are too low");
  }
  if (!sums.axis) {
    say("the series does not give one dispersion and offset for these frames: no energy axis");
  }
}

}  // namespace

Result<Sums> sum_session(Reader& reader, const Progress& progress) {
  const session::Documents& documents = reader.documents();
  Sums sums;
  sums.session = documents.name;
  auto parsed = parse_strict(documents.series_text);
  const json series = parsed.ok() ? *parsed : json();
  read_document(series, sums);
  sum_doses(reader, series, sums);

  const bool has_image = documents.shape.rows > 1;
  analysis::SpectrumSum sum(documents.shape);
  auto damaged =
      each_frame(reader, progress, [&](const Record& record, std::span<const std::byte> frame) {
        return sum.add(record, frame);
      });
  if (!damaged.ok()) {
    return damaged.error();
  }
  const auto kind = std::find_if(kOrder.begin(), kOrder.end(),
                                 [&sum](ExposureKind one) { return sum.usable(one) > 0; });
  if (kind == kOrder.end()) {
    return Error{ErrorCode::refused, "session " + sums.session + " has no usable frame (" +
                                         frames_text(reader.records().size()) +
                                         " stored); there is nothing to draw"};
  }
  sums.spectrum = sum.of(*kind);
  sums.axis = axis_of(reader, series, *kind);
  add_remarks(sum, *damaged, sums);
  if (has_image) {
    analysis::MeanImage image(documents.shape);
    auto second =
        each_frame(reader, {}, [&](const Record& record, std::span<const std::byte> frame) {
          return record.kind == static_cast<std::uint8_t>(*kind) ? image.add(record, frame)
                                                                 : Result<void>{};
        });
    if (!second.ok()) {
      return second.error();
    }
    sums.image =
        Image{image.rows(), image.columns(), image.bin_rows(), image.bin_columns(), image.mean()};
  }
  return sums;
}

}  // namespace creel::report
