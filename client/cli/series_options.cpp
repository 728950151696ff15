// Options of the commands that run a series, look at one, and act on what is there.
#include "client/cli/options.h"

namespace creel::cli {

namespace {

void add_running_commands(CLI::App& app, Arguments& given, Command& chosen) {
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

}  // namespace

void add_series_commands(CLI::App& app, Arguments& given, Command& chosen) {
  add_running_commands(app, given, chosen);
  add_looking_commands(app, given, chosen);
  add_acting_commands(app, given, chosen);
}

}  // namespace creel::cli
