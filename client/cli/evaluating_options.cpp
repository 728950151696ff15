// Options of the commands that say what sessions mean, before and after the night.
#include "client/cli/options.h"

namespace creel::cli {

namespace {

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

void add_evaluate_commands(CLI::App& app, Arguments& given, Command& chosen) {
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
  one->add_option("--gain", given.evaluation.gain,
                  "a session with gain frames, or none (default: the gain calibration's)");
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

}  // namespace

void add_evaluating_commands(CLI::App& app, Arguments& given, Command& chosen) {
  add_budget_command(app, given, chosen);
  add_evaluate_commands(app, given, chosen);
  add_replay_command(app, given, chosen);
}

}  // namespace creel::cli
