// creel: the command line of Creel. What each command does is in its --help, which tests/tidy
// compares with README.md.

#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdio>
#include <string>
#include <vector>

#include "client/cli/calibrate.h"
#include "client/cli/commands.h"
#include "client/cli/replay.h"

namespace {

using namespace creel::cli;

constexpr const char* kAbout =
    "creel - runs and watches exposure series on the rig that creeld drives.\n"
    "\n"
    "A night in six commands:\n"
    "  creel budget ink-film.series.json     can this dose answer the question?\n"
    "  creel check ink-film.series.json      is it right, how long, how much dose? opens nothing\n"
    "  creel start ink-film.series.json      run it; each exposure is charged to its area's "
    "ledger\n"
    "  creel follow                          watch it; Ctrl-C ends the watching, not the series\n"
    "  creel verify SESSION                  every frame against its checksum\n"
    "  creel evaluate SESSION --out answer   the oxidation state, with its error bar and a report\n"
    "If anything looks wrong: creel close-all, then look at the instrument.\n";

constexpr const char* kFooter =
    "Exit codes: 0 done, or the answer is yes; 1 the answer is no (damage found, series not "
    "completed);\n"
    "2 wrong command, file or rig, nothing was changed; 3 creeld cannot be reached; 4 refused in "
    "this state;\n"
    "5 a device, the disk or creeld is in trouble; 130 interrupted, what runs goes on.\n"
    "--json and --socket may stand after any command. With --json standard output carries one JSON "
    "object with\n"
    "\"ok\" and \"exit\" (while following: one event a line, the answer last).\n"
    "Software shutter control is not a personnel-safety interlock (IEC 60825-1, ANSI Z136.1, local "
    "rules).";

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

using Command = std::function<Answer()>;

/// One subcommand: its name, one line for the list, and what its own help says beyond that.
CLI::App* add(CLI::App& app, const char* name, const char* line, const char* more) {
  CLI::App* command = app.add_subcommand(name, line);
  command->footer(more);
  return command;
}

void add_series_commands(CLI::App& app, Arguments& given, Command& chosen) {
  const Common& common = given.common;
  CLI::App* one =
      add(app, "check", "Check a series file: faults, exposures, time, dose, disk",
          "Safe at any time: opens and moves nothing, also while another series runs.\n"
          "Example: creel check ink-film.series.json\n"
          "         creel check ink-film.series.json --rig ink-lab.rig.json   (without creeld)");
  one->add_option("FILE", given.file, "series file (NAME.series.json)")->required();
  one->add_option("--rig", given.rig,
                  "check against this rig file here, without creeld and its dose ledger");
  one->add_option("--calibrations", given.calibrations,
                  "folder of calibrations (default: beside creeld's sessions)");
  one->callback(
      [&] { chosen = [&] { return check(common, given.file, given.rig, given.calibrations); }; });

  one = add(app, "start", "Run a series",
            "OPENS THE SHUTTER for every exposure. Refused when an area has reached its dose limit "
            "or another\n"
            "series runs. Every frame is on disk before it counts as safe.\n"
            "Example: creel start ink-film.series.json --follow\n"
            "Exit code with --follow: 0 completed, 1 ended before that.");
  one->add_option("FILE", given.file, "series file (NAME.series.json)")->required();
  one->add_flag("--follow", given.follow, "watch it until its session is closed");
  one->callback([&] { chosen = [&] { return start(common, given.file, given.follow); }; });

  one = add(app, "hold", "Hold the running series, shutter closed",
            "Safe: the running exposure ends as planned, then the series waits for a person. To "
            "close shutters at\n"
            "once: creel close-all.\nExample: creel hold \"refilling the cold trap\"");
  one->add_option("REASON", given.reason, "why; recorded in the session");
  one->callback([&] { chosen = [&] { return hold(common, given.reason); }; });

  one = add(app, "continue", "Go on with a series that holds",
            "OPENS THE SHUTTER again. Also the answer when the series asks a person to move the "
            "specimen.\n"
            "Example: creel continue");
  one->callback([&] { chosen = [&] { return go_on(common); }; });

  one = add(app, "stop", "End the running series",
            "Safe: the running exposure ends as planned; all frames are kept and the session is "
            "closed into one\n"
            "file. It cannot be taken up again.\nExample: creel stop");
  one->callback([&] { chosen = [&] { return stop(common); }; });
}

void add_looking_commands(CLI::App& app, Arguments& given, Command& chosen) {
  const Common& common = given.common;
  CLI::App* one =
      add(app, "follow", "Watch: progress, dose against its limit, frames safe, events",
          "Safe: only looks. Ctrl-C ends the watching; the series goes on.\n"
          "Example: creel follow --until-end && creel list\n"
          "Exit code with --until-end: 0 completed, 1 ended before that, 4 nothing has run.");
  one->add_flag("--until-end", given.until_end, "end when the running series' session is closed");
  one->callback([&] { chosen = [&] { return follow(common, given.until_end); }; });

  one =
      add(app, "status", "What creeld does now", "Safe: only looks.\nExample: creel status --json");
  one->callback([&] { chosen = [&] { return status(common); }; });

  one = add(app, "list", "Sessions on disk: running, unfinished, closed",
            "Safe: only looks. 'unfinished' is a folder that a crash or a power cut left; it is "
            "readable as it is,\n"
            "and creel recover makes one file of it.\n"
            "Example: creel list");
  one->callback([&] { chosen = [&] { return list(common); }; });

  one = add(app, "devices", "Devices of the rig and their state",
            "Safe: only looks. A shutter's state is what it measures, where it can measure.\n"
            "Example: creel devices");
  one->callback([&] { chosen = [&] { return devices(common); }; });

  one = add(app, "ledger", "Dose of each area over all sessions",
            "Safe: only looks. 'counts as' is charged + intents not settled yet: what the limit is "
            "compared with.\n"
            "Entries are only ever added; a correction is one with a negative dose (creel "
            "enter-dose).\n"
            "Example: creel ledger grid7/a3\n"
            "         creel ledger --entries grid7/a3\n"
            "         creel ledger --export ledger.csv   (or .json, with the balances)");
  one->add_option("AREA", given.ledger.area, "grid/name; all areas when left out");
  CLI::Option* entries =
      one->add_flag("--entries", given.ledger.entries, "every entry, each explained in a sentence");
  one->add_option("--export", given.ledger.file, "write every entry to FILE.json or FILE.csv")
      ->excludes(entries);
  one->callback([&] { chosen = [&] { return ledger(common, given.ledger); }; });
}

void add_acting_commands(CLI::App& app, Arguments& given, Command& chosen) {
  const Common& common = given.common;
  CLI::App* one =
      add(app, "enter-dose", "Enter dose given by hand: searching, focusing, aligning",
          "Changes the ledger for ever (a correction is another entry, with a negative dose). "
          "Without it the\n"
          "ledger says less than the specimen got.\n"
          "Example: creel enter-dose grid7/a3 1.5 --sigma 0.5 --reason \"focusing, 30 s\"");
  one->add_option("AREA", given.area, "grid/name")->required();
  one->add_option("DOSE", given.dose, "dose in e/A^2; negative for a correction")->required();
  one->add_option("--sigma", given.sigma, "its standard deviation in e/A^2")->required();
  one->add_option("--reason", given.reason, "what it was; kept for ever")->required();
  one->callback([&] {
    chosen = [&] { return enter_dose(common, given.area, given.dose, given.sigma, given.reason); };
  });

  one = add(app, "close-all", "Close every shutter now",
            "Safe at any time. A running exposure is broken off: its frame is kept and marked, the "
            "dose charged, and\n"
            "the series holds. Exit code 0 only when every shutter is shown to be closed; else 5, "
            "and which one.\n"
            "Not a personnel-safety interlock: look at the instrument.\nExample: creel close-all");
  one->callback([&] { chosen = [&] { return close_all(common); }; });

  one =
      add(app, "verify", "Check every frame, record and event of sessions against their checksums",
          "Safe: reads only, also while the session runs, after a kill or a power cut; works "
          "without creeld.\n"
          "Example: creel verify sessions/ink-film-20261125T031007.h5\n"
          "Exit code: 0 all intact, 1 damage found.");
  one->add_option("SESSION", given.sessions, "path of a session (folder or .h5), or its name")
      ->required();
  one->callback([&] { chosen = [&] { return verify(common, given.sessions); }; });

  one =
      add(app, "recover", "Finish sessions that a crash left: one file of each, checked",
          "Never needed to read a session, and creeld does it by itself at its start for the one "
          "that began last.\n"
          "Safe: opens and moves nothing; refused while a creeld has the session; the folder goes "
          "only after the\n"
          "file was compared with it. What the dose ledger has not settled, the next creeld "
          "charges.\n"
          "Example: creel recover sessions/ink-film-20261125T031007\n"
          "Exit code: 0 all recovered and intact, 4 a creeld has one of them, 5 damaged: it stays "
          "a folder.");
  one->add_option("SESSION", given.sessions, "folder of an unfinished session, or its name")
      ->required();
  one->callback([&] { chosen = [&] { return recover(common, given.sessions); }; });

  one =
      add(app, "recap", "What became of a session: a timeline, the dose by cause, what to do next",
          "Safe: reads the session only, also while it runs or after a kill; works without creeld. "
          "Repeated things\n"
          "share a line, so that a page suffices.\n"
          "Example: creel recap ink-film-20261125T031007");
  one->add_option("SESSION", given.session, "path of a session (folder or .h5), or its name")
      ->required();
  one->add_flag("--all", given.all, "every event on a line of its own, settings and readings too");
  one->callback([&] { chosen = [&] { return recap(common, given.session, given.all); }; });

  one = add(app, "picture", "Draw a session: dark-corrected sum spectrum, SVG and PNG",
            "Safe: reads the session only, also while it runs. Needs gnuplot.\n"
            "Example: creel picture ink-film-20261125T031007 --out first   writes first.svg and "
            "first.png");
  one->add_option("SESSION", given.session, "path of a session (folder or .h5), or its name")
      ->required();
  one->add_option("--out", given.out, "where to: BASE for BASE.svg and BASE.png")->required();
  one->callback([&] { chosen = [&] { return picture(common, given.session, given.out); }; });
}

void add_budget_command(CLI::App& app, Arguments& given, Command& chosen) {
  const Common& common = given.common;
  BudgetOrder& order = given.budget;
  CLI::App* one = add(
      app, "budget", "Before the night: can this dose answer the question?",
      "Safe: reads the series file and recorded sessions only. The end members are those that will "
      "be used; a\n"
      "pilot (a few exposures of the specimen on an area that may be lost) says how much metal "
      "there "
      "is.\n"
      "Example: creel budget ink-film.series.json --reference standard-fe2-20261125T021500 \\\n"
      "           --reference standard-fe3-20261125T023000 --pilot ink-trial-20261125T031007 "
      "--critical-dose 30\n"
      "Exit code: 0 it can, 1 it cannot (and what would make it so).");
  one->add_option("FILE", order.file, "series file (NAME.series.json)")->required();
  one->add_option("--reference", order.references,
                  "a session of a standard; give two, one for each end member")
      ->take_all()
      ->expected(1)
      ->required();
  one->add_option("--pilot", order.pilot, "a session of the specimen, short is enough");
  one->add_option("--critical-dose", order.critical_dose,
                  "of the metal's state, e/A^2 (default: that of the series' guard)")
      ->check(CLI::PositiveNumber);
  one->add_option("--target", order.target, "wanted error of the part in the high state")
      ->check(CLI::PositiveNumber)
      ->capture_default_str();
  one->add_option("--presumed", order.presumed, "part in the high state that is presumed")
      ->check(CLI::Range(0.0, 1.0))
      ->capture_default_str();
  one->add_option("--metal", order.metal, "metal per area, over that of the pilot")
      ->check(CLI::PositiveNumber)
      ->capture_default_str();
  one->add_option("--background", order.background, "what lies under the edge, likewise")
      ->check(CLI::PositiveNumber)
      ->capture_default_str();
  one->add_option("--axis-error", order.axis_error_ev,
                  "by how much the energy axes of the sessions may differ, eV (one standard "
                  "deviation)")
      ->check(CLI::NonNegativeNumber)
      ->capture_default_str();
  one->callback([&] { chosen = [&] { return budget(common, order); }; });
}

void add_evaluating_commands(CLI::App& app, Arguments& given, Command& chosen) {
  const Common& common = given.common;
  CLI::App* one = add(
      app, "evaluate", "White-line ratio and oxidation state at zero dose, with error bars",
      "Safe: reads sessions only, also while one runs. Two references, recorded on the same rig "
      "and of known\n"
      "oxidation state (specimen.known_oxidation_state in their series), give the state; without "
      "them there is\n"
      "the ratio alone. What cannot be told is withheld, with the reason.\n"
      "Example: creel evaluate ink-film-20261125T031007 --gain ink-gain-20261125T020000 \\\n"
      "           --reference standard-fe2-20261125T021500 --reference "
      "standard-fe3-20261125T023000 --out answer\n"
      "Writes answer.html (the report), answer.json, answer-edge.svg/png, answer-dose.svg/png.\n"
      "Exit code: 0 answered, 1 withheld.");
  one->add_option("SESSION", given.evaluation.session,
                  "path of a session (folder or .h5), or its name")
      ->required();
  one->add_option("--reference", given.evaluation.references,
                  "a session of a standard; give two, one for each end member")
      ->take_all()
      ->expected(1);
  one->add_option("--standard", given.evaluation.standards,
                  "one of the laboratory's own standards instead of a reference (creel standards)")
      ->take_all()
      ->expected(1);
  one->add_option(
         "--bootstrap", given.evaluation.bootstrap,
         "also tell the error by so many evaluations of exposures drawn anew (200 is good)")
      ->check(CLI::Range(0, 100000));
  one->add_option("--gain", given.evaluation.gain, "a session with gain frames");
  one->add_option("--element", given.evaluation.element,
                  "which metal, such as Fe (default: that of the references)");
  one->add_option("--out", given.evaluation.out, "where to: BASE for BASE.html and the others");
  one->add_option("--calibrations", given.evaluation.calibrations,
                  "folder of calibrations (default: beside the session)");
  one->callback([&] { chosen = [&] { return evaluate(common, given.evaluation); }; });

  EvaluateFileOrder& file = given.evaluation_of_file;
  one = add(
      app, "evaluate-file", "The same for a spectrum of another program",
      "Safe: reads files only. ISO 22029 (.msa), CSV (energy in eV, counts), or FILE.h5:/DATA with "
      "its axis.\n"
      "A spectrum without its frames has no dose and no noise of its own: the noise is presumed "
      "(--noise), and\n"
      "the state is the mean over the dose it had, not that at zero dose.\n"
      "Example: creel evaluate-file film.msa --low fe2.msa --high fe3.msa --low-loss film-low.msa");
  one->add_option("FILE", file.file, "the spectrum")->required();
  one->add_option("--low", file.low, "end member of the low state");
  one->add_option("--high", file.high, "end member of the high state");
  one->add_option("--low-loss", file.low_loss, "low loss of FILE, to take plural scattering out");
  one->add_option("--low-low-loss", file.low_low_loss, "low loss of --low");
  one->add_option("--high-low-loss", file.high_low_loss, "low loss of --high");
  one->add_option("--low-state", file.low_state, "oxidation state of --low")->capture_default_str();
  one->add_option("--high-state", file.high_state, "oxidation state of --high")
      ->capture_default_str();
  one->add_option("--element", file.element, "which metal")->capture_default_str();
  one->add_option("--noise", file.noise_slope,
                  "variance of a channel over its counts: 1 where electrons were counted")
      ->check(CLI::PositiveNumber)
      ->capture_default_str();
  one->add_option("--axis-error", file.axis_error_ev,
                  "by how much the energy axes may differ, eV (one standard deviation)")
      ->check(CLI::NonNegativeNumber)
      ->capture_default_str();
  one->add_option("--out", file.out, "where to: BASE for BASE.json and the figures");
  one->callback([&] { chosen = [&] { return evaluate_file(common, file); }; });

  one = add(
      app, "compare", "Lay one edge on another: scale, shift, and what remains",
      "Safe: reads sessions and files only. A and B are sessions, or spectra as for "
      "evaluate-file.\n"
      "Example: creel compare ink-film-20261125T031007 standard-fe3-20261125T023000 --out pair\n"
      "Writes pair.svg, pair.png and pair.json.");
  one->add_option("A", given.comparison.a, "what is looked at")->required();
  one->add_option("B", given.comparison.b, "what it is laid on")->required();
  one->add_option("--element", given.comparison.element, "whose edge")->capture_default_str();
  one->add_option("--out", given.comparison.out, "where to: BASE for BASE.svg, .png and .json");
  one->callback([&] { chosen = [&] { return compare(common, given.comparison); }; });

  one = add(app, "export", "Write the dark-corrected sum spectrum as ISO 22029 and CSV",
            "Safe: reads the session only, also while it runs.\n"
            "Example: creel export ink-film-20261125T031007 --out ink   writes ink.msa (ISO 22029) "
            "and ink.csv");
  one->add_option("SESSION", given.session, "path of a session (folder or .h5), or its name")
      ->required();
  one->add_option("--out", given.out, "where to: BASE for BASE.msa and BASE.csv")->required();
  one->callback(
      [&] { chosen = [&] { return export_spectrum(common, given.session, given.out); }; });
}

void add_replay_command(CLI::App& app, Arguments& given, Command& chosen) {
  const Common& common = given.common;
  CLI::App* one = add(
      app, "replay", "Make a rig that plays a recorded session back, drop-outs and faults included",
      "Safe: writes two files, opens and moves nothing; a replay moves nothing real either. Its "
      "dose goes to the\n"
      "ledger of its own state directory only: never give creeld a real one for it.\n"
      "Example: creel replay ink-film-20261125T031007.h5 --fast --out again\n"
      "It says which two commands run the replay.");
  one->add_option("SESSION", given.replay.session, "path of a session: NAME.h5 or a folder")
      ->required();
  one->add_option("--out", given.replay.out, "directory for NAME.rig.json and NAME.series.json")
      ->required();
  CLI::Option* speed =
      one->add_option("--speed", given.replay.speed, "so many times the recorded pace (default 1)");
  one->add_flag("--fast", given.replay.fast, "as fast as it goes, on the accelerated clock")
      ->excludes(speed);
  one->callback([&] { chosen = [&] { return replay(common, given.replay); }; });
}

void add_set_up_command(CLI::App& app, Arguments& given, Command& chosen) {
  const Common& common = given.common;
  SetUpWish& wish = given.set_up;
  CLI::App* one = add(
      app, "setup", "Live set-up on an area: rate, zero loss, saturation, in large digits",
      "OPENS THE SHUTTER again and again. Short exposures outside any series; no frame is kept, "
      "and every electron\n"
      "is charged to the area, which is refused at its limit: choose a sacrificial one. It ends, "
      "shutters closed,\n"
      "at Ctrl-C, after --minutes, at its dose, when a device fails, and when this program or "
      "its terminal goes.\n"
      "Example: creel setup ink-film.series.json --area film-a --minutes 5\n"
      "         creel setup --watch   (only looks)\n"
      "         creel setup --stop    (from another terminal)\n"
      "Exit code: 0 it ended as asked, 5 something failed.");
  one->add_option("FILE", wish.file, "series file: devices, dose rate and areas with limits");
  one->add_option("--area", wish.area, "name of the area in FILE that the beam falls on");
  one->add_option("--exposure", wish.exposure_s, "seconds of each frame (default 0.1)")
      ->check(CLI::Range(0.001, 10.0));
  one->add_option("--minutes", wish.minutes, "it closes by itself after so long (default 10)")
      ->check(CLI::Range(0.2, 120.0));
  one->add_option("--dose", wish.dose, "most that it may give, e/A^2 (default: FILE's own limit)")
      ->check(CLI::PositiveNumber);
  CLI::Option* watch = one->add_flag("--watch", wish.watch, "only look at the one that runs");
  one->add_flag("--stop", wish.stop, "end the one that runs")->excludes(watch);
  one->callback([&] { chosen = [&] { return set_up(common, wish); }; });
}

/// creel grid WHAT
void add_grid_command(CLI::App& app, Arguments& given, Command& chosen) {
  const Common& common = given.common;
  CLI::App* grid = add(
      app, "grid", "The map: grids, areas, where they are, and what they have had",
      "Safe: moves and opens nothing. A grid is its name and an area grid/name, as in series files "
      "and the ledger;\n"
      "names are given once, for ever. Coordinates belong to the grid: loaded again, turned or "
      "flipped, it is aligned\n"
      "with the stage from some identified points, and identities and doses stay.\n"
      "Example: creel grid add grid-07 && creel grid add-area grid-07 film-a --at -212.5,87 "
      "--diameter 2000\n"
      "         creel grid align grid-07 --point film-a=12,3.5 --point film-b=40,4 --point "
      "0,0=200,-100\n"
      "         creel grid show grid-07 --out map");
  grid->require_subcommand(1);
  grid->fallthrough();
  CLI::App* one = add(*grid, "list", "Grids on the map", "");
  one->callback([&] { chosen = [&] { return grid_list(common); }; });

  one = add(*grid, "show", "A grid's areas as a map, with dose and stage positions", "");
  one->add_option("GRID", given.map_area.grid, "its name")->required();
  one->add_option("--out", given.out, "draw BASE.svg and BASE.png, too");
  one->callback(
      [&] { chosen = [&] { return grid_show(common, given.map_area.grid, given.out); }; });

  one = add(*grid, "add", "Put a grid on the map", "");
  one->add_option("GRID", given.map_area.grid, "its name, for ever")->required();
  one->add_option("--note", given.map_area.note, "what it is");
  one->callback(
      [&] { chosen = [&] { return grid_add(common, given.map_area.grid, given.map_area.note); }; });

  one = add(*grid, "add-area", "Put an area on the map of a grid", "");
  one->add_option("GRID", given.map_area.grid, "its grid")->required();
  one->add_option("AREA", given.map_area.name, "its name, for ever")->required();
  one->add_option("--at", given.map_area.at, "centre on the grid: X,Y in micrometres")->required();
  one->add_option("--square", given.map_area.square, "square of the grid, such as C4");
  one->add_option("--diameter", given.map_area.diameter_nm, "lit diameter in nanometres")
      ->check(CLI::PositiveNumber);
  one->add_option("--outline", given.map_area.outline, "a corner: X,Y; three or more times")
      ->take_all()
      ->expected(1);
  one->add_option("--note", given.map_area.note, "what it is");
  one->callback([&] { chosen = [&] { return grid_add_area(common, given.map_area); }; });

  one = add(*grid, "align", "Say where a grid is on the stage, from identified points", "");
  one->add_option("GRID", given.align.grid, "its name")->required();
  one->add_option(
         "--point", given.align.points,
         "AREA=X,Y or X,Y=X,Y: what it is on the grid, where it is on the stage; two or more")
      ->required()
      ->take_all()
      ->expected(1);
  CLI::Option* flipped = one->add_flag("--flipped", given.align.flipped, "it is upside down");
  one->add_flag("--not-flipped", given.align.not_flipped, "it is not; found out from three points")
      ->excludes(flipped);
  one->callback([&] { chosen = [&] { return grid_align(common, given.align); }; });

  one = add(*grid, "picture", "Attach a picture (PNG, JPEG, TIFF) to a grid or an area", "");
  one->add_option("GRID", given.map_area.grid, "its name")->required();
  one->add_option("FILE", given.file, "the picture; creeld must be able to read it")->required();
  one->add_option("--area", given.map_area.name, "of this area");
  one->callback([&] {
    chosen = [&] {
      return grid_picture(common, given.map_area.grid, given.map_area.name, given.file);
    };
  });

  one = add(*grid, "profile", "State the beam's profile: its tail is charged to neighbours", "");
  one->add_option("SHAPE", given.profile.shape,
                  "gaussian (diameter at half maximum) or flat (disc)")
      ->required()
      ->check(CLI::IsMember({"gaussian", "flat"}));
  one->add_option("--diameter", given.profile.diameter_nm, "in nanometres")->required();
  one->add_option("--uncertainty", given.profile.uncertainty,
                  "of a neighbour's dose, relative (1 = 100 %)")
      ->required();
  one->add_option("--method", given.profile.method, "how it was measured")->required();
  one->callback([&] { chosen = [&] { return grid_profile(common, given.profile); }; });
}

void add_calibrate_command(CLI::App& app, Arguments& given, Command& chosen) {
  const Common& common = given.common;
  CalibrateOrder& order = given.calibration;
  CLI::App* one = add(
      app, "calibrate", "List calibrations of the rig, or take one and write its record",
      "OPENS THE SHUTTER for most kinds, as creel start does: a calibration is an ordinary series, "
      "made from one\n"
      "that it is to serve. Its dose is shown first and charged. --show only shows; --from "
      "evaluates a session\n"
      "that is there. Records are never overwritten; a newer one supersedes.\n"
      "Kinds: dark, photon-transfer, gain, point-spread, energy, energy-offset, shutter, "
      "dose-rate,\n"
      "       beam-profile, residual, emission\n"
      "Example: creel calibrate                                     the state of each\n"
      "         creel calibrate dark --for ink-film.series.json\n"
      "         creel calibrate dose-rate --current-pa 1.02 --current-sigma-pa 0.03\n"
      "         creel calibrate energy --from calibrate-energy-20261127T120000 --table xraylib");
  one->add_option("KIND", order.kind, "what to calibrate; all are listed when left out");
  one->add_option("--for", order.serves,
                  "series file that it is to serve (default: that of the last session)");
  CLI::Option* from = one->add_option("--from", order.from, "evaluate this session instead");
  CLI::Option* show =
      one->add_flag("--show", order.show, "only show what the series does")->excludes(from);
  one->add_option("--out", order.out, "with --show: write the series to this file")->needs(show);
  one->add_option("--calibrations", order.calibrations,
                  "folder of calibrations (default: beside the sessions)");
  one->add_option("--area", order.series.area, "name of the area that gets the dose");
  one->add_option("--frames", order.series.frames, "frames of each block");
  one->add_option("--exposure", order.series.exposure_s, "of evenly lit frames, seconds");
  one->add_option("--even", order.series.even,
                  "DEVICE.SETTING=LIT,AFTER spreads the beam evenly over the detector");
  one->add_option("--supply", order.series.supply, "DEVICE.SETTING moves the energy axis");
  one->add_option("--range-ev", order.series.range_ev, "how far the supply is moved (70)");
  one->add_option("--attenuator", order.series.attenuator,
                  "STAGE.AXIS attenuates the laser to the cathode, per cent");
  one->add_option("--edge", order.series.edge, "AXIS=POSITION of a straight edge of the specimen");
  one->add_option("--reach-um", order.series.reach_um, "how far to scan on each side of it");
  one->add_option("--table", order.evaluation.table,
                  "edge energies of this table: xraylib (default), booklet or maxima");
  one->add_option("--feature", order.evaluation.features,
                  "an edge of the table, \"C K\", or of your own, \"Fe L3 maximum=707.8+-0.2\"")
      ->take_all()
      ->expected(1);
  one->add_option("--features-from", order.evaluation.features_from,
                  "where energies of your own are known from");
  one->add_option("--edge-sigma-ev", order.evaluation.edge_sigma_ev,
                  "error of a table's energy for this specimen (1.5)");
  one->add_option("--current-pa", order.evaluation.current_pa,
                  "current of the Faraday cup with this beam, picoamperes");
  one->add_option("--current-sigma-pa", order.evaluation.current_sigma_pa, "its error");
  one->add_option("--lit-diameter-nm", order.evaluation.lit_diameter_nm,
                  "size of the beam on the specimen, from an image");
  one->add_option("--lit-sigma-nm", order.evaluation.lit_sigma_nm, "its error");
  one->add_flag("--gaussian", order.evaluation.gaussian,
                "that size is the full width at half maximum of a Gaussian");
  one->add_option("--valid-h", order.evaluation.valid_h, "hours until it is stale");
  one->callback([&] { chosen = [&] { return calibrate(common, given.calibration); }; });
}

void add_library_commands(CLI::App& app, Arguments& given, Command& chosen) {
  const Common& common = given.common;
  StandardOrder& order = given.standard;
  CLI::App* one =
      add(app, "standards", "The laboratory's own standards: list them, or add one",
          "Safe: reads sessions; add writes one record.\n"
          "Example: creel standards list\n"
          "         creel standards add standard-fe2-20261125T021500 --expires 2027-11-25\n"
          "         creel standards add oxide.msa --name oxide --element Fe --state 3 "
          "--known-from \"diffraction\"");
  one->add_option("WHAT", order.what, "list or add")
      ->required()
      ->check(CLI::IsMember({"list", "add"}));
  one->add_option("SOURCE", order.source, "with add: a session, or a spectrum file");
  one->add_option("--name", order.name, "its name");
  one->add_option("--element", order.element, "metal, such as Fe; a session says it itself");
  one->add_option("--state", order.state, "oxidation state; a session says it itself");
  one->add_option("--known-from", order.known_from, "where the state is known from");
  one->add_option("--expires", order.expires, "date after which it is not used (a year on)");
  one->add_option("--fwhm-ev", order.fwhm_ev, "resolution; a session shows it itself");
  one->add_option("--t-over-lambda", order.t_over_lambda, "thickness; a session shows it itself");
  one->add_option("--dose", order.dose, "dose it had, e/A^2; a session says it itself");
  one->add_option("--standards", order.folder,
                  "folder of standards (default: beside the sessions)");
  one->callback([&] {
    chosen = [&] {
      return given.standard.what == "list" ? standards_list(common, given.standard.folder)
                                           : standards_add(common, given.standard);
    };
  });

  SettingsOrder& typed = given.settings;
  one = add(app, "settings", "Typed settings of the last session: still true?",
            "Safe: writes a series file and a record, opens and moves nothing. Without --out it "
            "only shows them.\n"
            "Each is asked for on the terminal; --yes answers for all, unless they were typed too "
            "long ago.\n"
            "Example: creel settings --into ink-film.series.json --out tonight.series.json "
            "--photo panel.jpg");
  one->add_option("--into", typed.into, "series file whose typed settings are replaced");
  one->add_option("--out", typed.out, "series file to write");
  one->add_option("--set", typed.set, "NAME=VALUE, such as microscope.camera_length_mm=60")
      ->take_all()
      ->expected(1);
  one->add_option("--photo", typed.photos, "photograph of a panel, kept with its checksum")
      ->take_all()
      ->expected(1);
  one->add_flag("--yes", typed.yes, "all are still true");
  one->add_option("--at-most-h", typed.at_most_h, "--yes holds for values so old at most (12 h)");
  one->callback([&] { chosen = [&] { return settings(common, given.settings); }; });
}

int wrong_use(const CLI::App& app, const CLI::ParseError& error, bool json) {
  const auto used = app.get_subcommands();
  const std::string what = used.empty() ? "" : used.front()->get_name();
  const std::string help = what.empty() ? "creel --help" : "creel " + what + " --help";
  return print(failure(what, Exit::wrong, {creel::ErrorCode::invalid_request, error.what()},
                       "nothing was changed, opened or moved.", "see '" + help + "'."),
               json);
}

}  // namespace

int main(int argc, char** argv) {
  Arguments given;
  Command chosen;
  given.common.progress = ::isatty(STDERR_FILENO) == 1;
  const bool json_asked = std::find(argv, argv + argc, std::string("--json")) != argv + argc;

  CLI::App app{kAbout, "creel"};
  app.footer(kFooter);
  app.fallthrough();
  app.require_subcommand(1);
  app.set_version_flag("--version", "creel " CREEL_VERSION);
  app.add_flag("--json", given.common.json, "answer with one JSON object on standard output");
  app.add_option("--socket", given.common.socket,
                 "creeld's socket (default: $CREEL_SOCKET, or the usual per-user place)");
  add_series_commands(app, given, chosen);
  add_looking_commands(app, given, chosen);
  add_acting_commands(app, given, chosen);
  add_budget_command(app, given, chosen);
  add_evaluating_commands(app, given, chosen);
  add_replay_command(app, given, chosen);
  add_set_up_command(app, given, chosen);
  add_grid_command(app, given, chosen);
  add_calibrate_command(app, given, chosen);
  add_library_commands(app, given, chosen);
  try {
    app.parse(argc, argv);
  } catch (const CLI::Success& help_or_version) {
    return app.exit(help_or_version);
  } catch (const CLI::ParseError& error) {
    return wrong_use(app, error, json_asked);
  }
  return print(chosen(), given.common.json);
}
