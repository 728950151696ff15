// calibrate, standards and settings: everything beside the sessions that an answer rests on.
#pragma once

#include <string>
#include <vector>

#include "client/calibrate/needs.h"
#include "client/calibrate/series_for.h"
#include "client/calibrate/session_for.h"
#include "client/cli/commands.h"

namespace creel::cli {

struct CalibrateOrder {
  std::string kind;          ///< "" = list
  std::string serves;        ///< series file; "" = that of the last session
  std::string from;          ///< evaluate this session instead of taking one
  std::string calibrations;  ///< folder; "" = beside the sessions
  bool show = false;         ///< only show the series
  std::string out;           ///< with `show`: write it there
  calibrate::SeriesOptions series;
  calibrate::EvaluationOptions evaluation;
};
Answer calibrate(const Common& common, const CalibrateOrder& order);

struct StandardOrder {
  std::string what;    ///< "list" or "add"
  std::string source;  ///< session or spectrum file
  std::string name, element, known_from, expires, folder;
  double state = -100;  ///< below -10: not given
  double fwhm_ev = 0, t_over_lambda = -1, dose = -1;
};
Answer standards_list(const Common& common, const std::string& folder);
Answer standards_add(const Common& common, const StandardOrder& order);

struct SettingsOrder {
  std::string into, out;         ///< series file to take them over, and where to write it
  std::vector<std::string> set;  ///< NAME=VALUE
  std::vector<std::string> photos;
  bool yes = false;
  double at_most_h = 12;  ///< --yes may answer for values typed so long ago
};
Answer settings(const Common& common, const SettingsOrder& order);

/// What creeld says of itself: rig and folder of sessions.
struct Place {
  std::string rig, sessions;
};
Result<Place> place_of(const Common& common);

/// Adds warnings about calibrations and implausible settings to an answer about a series: text and
/// "calibrations", "implausible" of the object. `directory` "" = no shelf is known: nothing is
/// added.
void add_calibrations(Answer& answer, const std::string& series_text, const std::string& rig,
                      const std::string& directory, std::int64_t at_utc_ns);

}  // namespace creel::cli
