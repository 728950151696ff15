// The options of creel's commands: each group of commands adds its own and says what is to be run.
#pragma once

#include <CLI/CLI.hpp>
#include <functional>
#include <string>
#include <vector>

#include "client/cli/calibrate.h"
#include "client/cli/commands.h"
#include "client/cli/replay.h"

namespace creel::cli {

/// What was given on the command line; one command uses a few of these.
struct Arguments {
  Common common;
  std::string file, rig, reason, session, out, area;
  EvaluateOrder evaluation;
  EvaluateFileOrder evaluation_of_file;
  BudgetOrder budget;
  CompareOrder comparison;
  ReplayOptions replay;
  LedgerOrder ledger;
  SetUpWish set_up;
  AreaWish map_area;
  AlignWish align;
  ProfileWish profile;
  CalibrateOrder calibration;
  StandardOrder standard;
  SettingsOrder settings;
  std::string calibrations;
  std::vector<std::string> sessions;
  double dose = 0, sigma = 0;
  bool follow = false, until_end = false, all = false;
};

/// What the command line asks for; outlives nothing that was given to add_*.
using Command = std::function<Answer()>;

/// One subcommand: its name, one line for the list, and what its own help says beyond that.
inline CLI::App* add(CLI::App& app, const char* name, const char* line, const char* more) {
  CLI::App* command = app.add_subcommand(name, line);
  command->footer(more);
  return command;
}

// `given` and `chosen` outlive the parsing and the command that is then run.
void add_series_commands(CLI::App& app, Arguments& given, Command& chosen);
void add_evaluating_commands(CLI::App& app, Arguments& given, Command& chosen);
void add_setting_up_commands(CLI::App& app, Arguments& given, Command& chosen);

}  // namespace creel::cli
