// Options of the commands of the set-up hour.
#include "client/cli/options.h"

namespace creel::cli {

namespace {

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
  one->add_option("--exposure", order.series.exposure_s, "of gain frames, seconds");
  one->add_option("--even", order.series.even,
                  "DEVICE.SETTING=LIT,AFTER spreads the beam evenly over the detector");
  one->add_flag("--dithered", order.series.dithered,
                "gain from the core loss of an area moved by whole channels, without even light")
      ->excludes("--even");
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

}  // namespace

void add_setting_up_commands(CLI::App& app, Arguments& given, Command& chosen) {
  add_set_up_command(app, given, chosen);
  add_grid_command(app, given, chosen);
  add_calibrate_command(app, given, chosen);
  add_library_commands(app, given, chosen);
}

}  // namespace creel::cli
