// The commands of creel. Each does its work and says what came of it; main.cpp prints that.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "client/cli/answer.h"

namespace creel::cli {

/// What all commands share. With `json` nothing but JSON may go to standard output.
struct Common {
  bool json = false;
  std::string socket;     ///< "" = the usual place
  bool progress = false;  ///< standard error is a terminal: lines may be rewritten in place
};

/// With `rig_file` the series is checked against that rig here, without creeld.
/// `calibrations`: folder of calibrations; "" = beside creeld's sessions.
Answer check(const Common& common, const std::string& file, const std::string& rig_file,
             const std::string& calibrations);
Answer start(const Common& common, const std::string& file, bool follow_it);
/// Prints as it goes; the answer is how it ended.
Answer follow(const Common& common, bool until_end);

Answer hold(const Common& common, const std::string& reason);
Answer go_on(const Common& common);
Answer stop(const Common& common);
Answer devices(const Common& common);
Answer close_all(const Common& common);
Answer status(const Common& common);
Answer list(const Common& common);
/// What to show of the ledger.
struct LedgerOrder {
  std::string area;      ///< grid/name; "" = all
  bool entries = false;  ///< every entry, explained; else the balances
  std::string file;      ///< write entries (and, as .json, balances) here; "" = show them
};
Answer ledger(const Common& common, const LedgerOrder& order);
Answer enter_dose(const Common& common, const std::string& area, double dose, double sigma,
                  const std::string& reason);

/// Live set-up.
struct SetUpWish {
  std::string file;  ///< of a series
  std::string area;  ///< name in it
  double exposure_s = 0.1, minutes = 10;
  double dose = 0;     ///< most that it may give, e/A^2; 0 = the series' own limit
  bool watch = false;  ///< only look
  bool stop = false;   ///< end the one that runs
};
/// Shows it until it has ended; Ctrl-C ends it.
Answer set_up(const Common& common, const SetUpWish& wish);

/// The map of grids and areas. Places are "X,Y" in micrometres.
struct AreaWish {
  std::string grid, name, at, square, note;
  std::vector<std::string> outline;
  double diameter_nm = 0;  ///< 0 = unknown
};
struct AlignWish {
  std::string grid;
  std::vector<std::string> points;  ///< "AREA=X,Y" or "X,Y=X,Y": on the grid = on the stage
  bool flipped = false, not_flipped = false;  ///< neither = find out
};
struct ProfileWish {
  std::string shape, method;
  double diameter_nm = 0, uncertainty = 0;
};
Answer grid_list(const Common& common);
/// `base` not empty: also draws BASE.svg and BASE.png.
Answer grid_show(const Common& common, const std::string& grid, const std::string& base);
Answer grid_add(const Common& common, const std::string& grid, const std::string& note);
Answer grid_add_area(const Common& common, const AreaWish& wish);
Answer grid_align(const Common& common, const AlignWish& wish);
Answer grid_picture(const Common& common, const std::string& grid, const std::string& area,
                    const std::string& file);
Answer grid_profile(const Common& common, const ProfileWish& wish);

/// Paths or names of sessions; names need creeld.
Answer verify(const Common& common, const std::vector<std::string>& sessions);
/// Finishes unfinished sessions that no creeld has, with the creeld that lies beside this program.
Answer recover(const Common& common, const std::vector<std::string>& sessions);
/// What became of a session, as a page. With `all` every event has a line.
Answer recap(const Common& common, const std::string& session, bool all);
Answer picture(const Common& common, const std::string& session, const std::string& base);

/// What to evaluate. Paths or names of sessions; names need creeld.
struct EvaluateOrder {
  std::string session;
  std::vector<std::string> references;  ///< none, or two together with `standards`
  double axis_error_ev = 0;             ///< of the sessions' axes against each other
  std::string beam;                     ///< "flat", "gaussian"; "" = as calibrated, else flat
  std::size_t bootstrap = 0;            ///< evaluations of exposures drawn anew
  std::vector<std::string> standards;   ///< names in the library beside the session
  std::string gain;                     ///< "" = as the calibration says; "none" = none
  std::string element;                  ///< "" = that of the references, or the first metal
  std::string out;                      ///< base of the files to write; "" = none
  std::string calibrations;             ///< folder; "" = beside the session
};
Answer evaluate(const Common& common, const EvaluateOrder& order);

/// Spectra of other programs. Names as report::read_spectrum.
struct EvaluateFileOrder {
  std::string file, low, high;  ///< low and high: end members; "" = none (ratio only)
  std::string low_loss, low_low_loss, high_low_loss;  ///< of each; "" = none
  double low_state = 2, high_state = 3;
  std::string element = "Fe";
  double noise_slope = 1;    ///< variance over counts
  double axis_error_ev = 0;  ///< of the axes against each other
  std::string out;
};
Answer evaluate_file(const Common& common, const EvaluateFileOrder& order);

/// One edge beside another: sessions, or spectra of other programs.
struct CompareOrder {
  std::string a, b, element = "Fe", out;
};
Answer compare(const Common& common, const CompareOrder& order);

/// What a planned series would tell.
struct BudgetOrder {
  std::string file;                     ///< the series
  std::vector<std::string> references;  ///< two sessions, one of each end member
  std::string pilot;                    ///< a session of the specimen; "" = the low end member
  std::optional<double> critical_dose;  ///< nothing: the series' guard, or none
  double target = 0.05, presumed = 0.5, metal = 1, background = 1, axis_error_ev = 0;
};
Answer budget(const Common& common, const BudgetOrder& order);

/// Writes BASE.msa (ISO 22029) and BASE.csv.
Answer export_spectrum(const Common& common, const std::string& session, const std::string& base);

}  // namespace creel::cli
