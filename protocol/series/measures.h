// What single frames say about beam and specimen while a series runs: numbers that guards watch.
// daemon/analysis measures them, daemon/guards decides on them.
#pragma once

#include <cstdint>
#include <limits>
#include <nlohmann/json.hpp>
#include <optional>
#include <string_view>
#include <vector>

#include "protocol/series/series.h"

namespace creel {

enum class MeasureKind : std::uint8_t {
  zero_loss_ev,       ///< position of the zero loss on the axis as set
  zero_loss_fwhm_ev,  ///< its full width at half maximum
  rate,              ///< electrons per second on the detector; counts per second where the detector
                     ///< does not state its gain
  t_over_lambda,     ///< relative thickness by the log-ratio
  low_loss_shape,    ///< counts at 4-12 eV over those at 15-40 eV: interband losses over plasmon
  oxygen_carbon,     ///< O K over C K, counts above the background
  l3_ev,             ///< centroid of the L3 line within its window
  white_line_ratio,  ///< L3/L2
};
constexpr MeasureKind kMeasureKinds[] = {
    MeasureKind::zero_loss_ev,  MeasureKind::zero_loss_fwhm_ev, MeasureKind::rate,
    MeasureKind::t_over_lambda, MeasureKind::low_loss_shape,    MeasureKind::oxygen_carbon,
    MeasureKind::l3_ev,         MeasureKind::white_line_ratio};
/// "t_over_lambda": name in files, events and series documents.
std::string_view measure_name(MeasureKind kind);

/// Those that the damage guard tests. Not the rate: a source that drifts is no damage.
constexpr bool is_damage_measure(MeasureKind kind) {
  return kind >= MeasureKind::t_over_lambda;
}

struct Measure {
  MeasureKind kind = MeasureKind::rate;
  double value = 0;
  double sigma = 0;  ///< one standard deviation, from counting alone; NaN = cannot be told yet
};

/// Of one frame, or of a slice of successive specimen frames (then of its last one).
struct FrameMeasures {
  std::uint64_t exposure = 0;  ///< index in the plan
  std::uint32_t block = 0;
  ExposureKind kind = ExposureKind::specimen;
  Where where = Where::specimen;
  std::uint16_t area = 0;         ///< index into Series::areas
  double vary_value = 0;          ///< of the block's varied axis; 0 = none
  double dose = 0;                ///< of the area when the frame had ended, e/angstrom^2
  std::uint32_t frames = 1;       ///< that it is made of
  std::vector<Measure> measures;  ///< those that could be made
  [[nodiscard]] std::optional<Measure> find(MeasureKind wanted) const;
};

/// As an event carries it, and back; nothing for an object that is none.
nlohmann::json measures_to_json(const FrameMeasures& measures);
std::optional<FrameMeasures> measures_from_json(const nlohmann::json& object);

/// How many exposures of the plan could give this measure at most, over all areas; slices of
/// `slice` specimen exposures count once.
std::uint64_t planned_measures(const Series& series, MeasureKind kind, std::uint32_t slice);

}  // namespace creel
