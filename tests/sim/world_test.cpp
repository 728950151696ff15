#include "sim/world.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <numeric>

namespace creel::sim {
namespace {

constexpr std::int64_t kSecond = 1'000'000'000;

/// One lab for all tests: making it takes a tenth of a second.
const View& view() {
  static const View made(Laboratory{}, 11, 0.5);
  return made;
}
std::vector<Event> one_opening() {
  return {{1 * kSecond, Channel::beam, 1}, {2001 * kSecond, Channel::beam, 0}};
}

TEST(Spectra, PluralScatteringHasThePoissonAreas) {
  // P_n = e^-x x^n / n! (Egerton 2011, sec. 3.4). A narrow plasmon at 20 eV keeps the orders apart;
  // a little of each peak's tail lies beyond the windows.
  Laboratory laboratory;
  laboratory.specimen.valence = {{20.0, 0.5, 1.0}};
  laboratory.specimen.elastic_per_lambda = 0;
  laboratory.specimen.carbon_per_nm2 = laboratory.specimen.oxygen_per_nm2 = 0;
  laboratory.specimen.iron_per_nm2 = 0;
  Truth truth{0.5, 20, 0.8};
  const Spectra spectra(laboratory.source, laboratory.column, laboratory.specimen, truth, 0.5);
  double factor = std::exp(-0.8);
  for (int n = 0; n < 4; ++n) {
    EXPECT_NEAR(spectra.integral(Part::low_loss, 20.0 * n - 10, 20.0 * n + 10), factor, 0.015) << n;
    factor *= 0.8 / (n + 1);
  }
  EXPECT_NEAR(spectra.integral(Part::low_loss, -90, 1600), 1.0, 2e-3);
}

TEST(Spectra, EveryElectronIsSomewhere) {
  // Transmitted within the aperture: exp(-0.15 t/lambda), whatever it lost. Two inner-shell losses
  // by one electron are left out: half the square of 2 %.
  const double thickness = view().truth().t_over_lambda;
  for (const Part iron : {Part::iron2, Part::iron3}) {
    const double all = view().spectra().integral(Part::film, -90, 1600) +
                       view().spectra().integral(iron, -90, 1600);
    EXPECT_NEAR(all, std::exp(-0.15 * thickness), 1e-3) << static_cast<int>(iron);
  }
}

TEST(Spectra, ZeroLossStandsAtZeroWithItsWidth) {
  const Spectra& spectra = view().spectra();
  // A Gaussian has 76.1 % of its area within its full width at half maximum: erf(sqrt(ln 2)).
  EXPECT_NEAR(spectra.integral(Part::vacuum, -0.4, 0.4), std::erf(std::sqrt(std::log(2.0))), 5e-4);
  EXPECT_NEAR(spectra.integral(Part::vacuum, -50, 0), 0.5, 1e-6);
}

/// FWHM of the zero loss in vacuum as its second moment has it, with `events` before 1 s.
double vacuum_fwhm_ev(const Source& source, std::vector<Event> events) {
  Laboratory laboratory;
  laboratory.source = source;
  laboratory.specimen.film_until_um = -600;  // the stage stands at 0
  const View made(laboratory, 11, 0.5);
  History history(source, 11);
  events.push_back({1 * kSecond, Channel::beam, 1});
  EXPECT_TRUE(history.add(events));
  std::vector<double> columns(400);
  EnergyAxis axis;
  axis.first_channel_ev = -10;
  axis.dispersion_ev = 0.05;
  made.expected(history, 2 * kSecond, 3 * kSecond, axis, columns);
  double sum = 0;
  double first = 0;
  double second = 0;
  for (std::size_t c = 0; c < columns.size(); ++c) {
    const double e = -10 + 0.05 * (static_cast<double>(c) + 0.5);
    sum += columns[c];
    first += e * columns[c];
    second += e * e * columns[c];
  }
  return 2.3548 * std::sqrt(second / sum - first * first / (sum * sum));
}

TEST(View, ChargeInAPulseWidensTheZeroLossAsASquareSum) {
  Source source;
  source.electrons_per_pulse = 10;
  source.charge_widening_ev = 0.06;
  source.photon_order = 2;
  EXPECT_NEAR(vacuum_fwhm_ev(source, {}), std::hypot(0.8, 0.6), 0.005);
  // Half of the laser's power: a quarter of the electrons of a two-photon source.
  EXPECT_NEAR(vacuum_fwhm_ev(source, {{0, Channel::attenuator, kAttenuatorOpen / 2}}),
              std::hypot(0.8, 0.15), 0.005);
}

/// Where f is highest on a grid.
template <class F>
double highest(double from, double to, double step, F&& f) {
  double best = f(from);
  double where = from;
  for (int i = 1; from + i * step < to; ++i) {
    const double e = from + i * step;
    const double height = f(e);
    if (height > best) {
      best = height;
      where = e;
    }
  }
  return where;
}
double peak_eV(Part part, double from, double to) {
  return highest(from, to, 0.05,
                 [part](double e) { return view().spectra().integral(part, e - 0.1, e + 0.1); });
}

TEST(Spectra, WhiteLinesStandWherePublished) {
  // P. A. van Aken, B. Liebscher, V. J. Styrsa, Phys. Chem. Minerals 25, 323 (1998): L3 maxima
  // 707.8 (Fe2+) and 709.5 eV (Fe3+). Blurred by the zero loss they move a little towards their
  // side peaks.
  EXPECT_NEAR(peak_eV(Part::iron2, 700, 716), 707.8, 0.2);
  EXPECT_NEAR(peak_eV(Part::iron3, 700, 716), 709.5, 0.2);
  EXPECT_NEAR(peak_eV(Part::iron3, 700, 716) - peak_eV(Part::iron2, 700, 716), 1.7, 0.2);
  // L2 lies 13 eV above L3 (xraylib 4.0: 13.0; X-Ray Data Booklet: 13.1).
  EXPECT_NEAR(peak_eV(Part::iron2, 716, 730) - peak_eV(Part::iron2, 700, 716), 13.05, 0.3);
}

TEST(Spectra, MinorEdgeOfIronHasItsMaximumAndPrePeaksWherePublished) {
  // P. A. van Aken et al. (1999): iron M2,3 has its main maximum near 57 eV, and a pre-peak 2.2 eV
  // below it for Fe(II), 4.2 eV below for Fe(III). A narrow zero loss and a thin film keep the
  // pre-peaks visible.
  Laboratory laboratory;
  laboratory.source.zero_loss_fwhm_ev = 0.3;
  const Truth thin{0.5, 20, 0.01};
  const Spectra spectra(laboratory.source, laboratory.column, laboratory.specimen, thin, 0.1);
  const auto excess = [&](Part part, double e) { return spectra.integral(part, e - 0.1, e + 0.1); };
  for (const Part part : {Part::iron2, Part::iron3}) {
    const double best = highest(50, 70, 0.1, [&](double e) { return excess(part, e); });
    EXPECT_NEAR(best, 57, 1.5) << static_cast<int>(part);
  }
  // The end members differ by their pre-peaks only: the difference is highest at one, lowest at the
  // other.
  const auto difference = [&](double e) { return excess(Part::iron3, e) - excess(Part::iron2, e); };
  EXPECT_NEAR(highest(48, 62, 0.1, difference), 57 - 4.2, 0.5);
  EXPECT_NEAR(highest(48, 62, 0.1, [&](double e) { return -difference(e); }), 57 - 2.2, 0.5);
}

TEST(Spectra, FourNeighboursDrawTheLinesTogether) {
  Laboratory other;
  other.specimen.coordination = Coordination::tetrahedral;
  const Spectra four(other.source, other.column, other.specimen, view().truth(), 0.5);
  const auto width = [](const Spectra& of) {
    const double all = of.integral(Part::iron2, 704, 715);
    return of.integral(Part::iron2, 707.5, 709.5) / all;
  };
  // Fe(II): 707.8 and 710.5 eV come to 708.1 and 709.3; as many electrons as before.
  EXPECT_GT(width(four), 1.1 * width(view().spectra()));
  EXPECT_NEAR(
      four.integral(Part::iron2, 690, 800) / view().spectra().integral(Part::iron2, 690, 800), 1,
      1e-3);
}

/// White-line areas above a step of 2:1 (as the sim makes it): only order matters here.
double line_ratio(Part part, double l3, double l2) {
  const Spectra& spectra = view().spectra();
  return spectra.integral(part, l3 - 1, l3 + 1) / spectra.integral(part, l2 - 1, l2 + 1);
}

TEST(Spectra, LineRatioIsLargerForD5ThanForD6) {
  // T. G. Sparrow et al., Chem. Phys. Lett. 108, 547 (1984): L3/L2 is largest for d5, here Fe(III).
  EXPECT_GT(line_ratio(Part::iron3, 709.5, 722.8), line_ratio(Part::iron2, 707.8, 720.7));
}

std::vector<double> expected(double begin_s, double end_s, const EnergyAxis& axis = {}) {
  History history(view().laboratory().source, view().seed());
  EXPECT_TRUE(history.add(one_opening()));
  std::vector<double> columns(2048);
  view().expected(history, static_cast<std::int64_t>(begin_s * 1e9),
                  static_cast<std::int64_t>(end_s * 1e9), axis, columns);
  return columns;
}

TEST(View, SpectrumShowsZeroLossPlasmonAndEdges) {
  const auto columns = expected(1, 2);
  const auto at = [&](double from_eV, double to_eV) {
    double sum = 0;
    for (int c = static_cast<int>((from_eV + 24) / 0.5); c < (to_eV + 24) / 0.5; ++c) {
      sum += columns[c];
    }
    return sum;
  };
  const auto highest = std::max_element(columns.begin(), columns.end()) - columns.begin();
  EXPECT_NEAR(static_cast<double>(highest) * 0.5 - 24, 0,
              1.0);                       // common practice: zero loss dominates
  EXPECT_GT(at(285, 300), at(265, 280));  // carbon K
  EXPECT_GT(at(535, 545), at(518, 528));  // oxygen K
  EXPECT_GT(at(706, 712), at(696, 702));  // iron L3
  EXPECT_GT(at(690, 700), at(695, 705) * 0.9);
  // t/lambda = ln(It/I0), the definition of relative thickness (Egerton 2011, sec. 5.1).
  EXPECT_NEAR(std::log(at(-24, 1000) / at(-3, 3)), view().truth().t_over_lambda, 0.03);
}

TEST(View, IronIsReducedByDose) {
  History history(view().laboratory().source, view().seed());
  ASSERT_TRUE(history.add(one_opening()));
  const auto fe3_at = [&](double t_s) {
    const auto slices = history.slices(static_cast<std::int64_t>(t_s * 1e9),
                                       static_cast<std::int64_t>((t_s + 1) * 1e9));
    const Weights weights = view().weights(slices.at(0));
    const auto w = [&](Part part) { return weights[static_cast<std::size_t>(part)]; };
    const double three = w(Part::iron3) + w(Part::thin_iron3);
    return three / (three + w(Part::iron2) + w(Part::thin_iron2));
  };
  const Truth& truth = view().truth();
  EXPECT_NEAR(fe3_at(1), truth.fe3_fraction, 1e-3);
  const double u = history.dose({}, 1500 * kSecond + kSecond / 2) / truth.critical_dose;
  EXPECT_NEAR(fe3_at(1500), truth.fe3_fraction * (1 - std::exp(-u)) / u, 1e-4);
}

TEST(View, EnergyOffsetShiftsTheSpectrum) {
  EnergyAxis shifted;
  shifted.offset_ev = 600;
  const auto plain = expected(1, 2);
  const auto core = expected(1, 2, shifted);
  for (int c = 0; c < 700; ++c) {
    EXPECT_NEAR(core[c], plain[c + 1200], 1e-9 * (1 + plain[c + 1200]));
  }
}

TEST(View, VacuumHasNoFilm) {
  History history(view().laboratory().source, view().seed());
  ASSERT_TRUE(history.add(std::vector<Event>{{0, Channel::stage_x, 60000},  // 600 um
                                             {1 * kSecond, Channel::beam, 1},
                                             {3 * kSecond, Channel::beam, 0}}));
  std::vector<double> columns(2048);
  view().expected(history, 1 * kSecond, 2 * kSecond, {}, columns);
  double zero_loss = 0;
  double rest = 0;
  for (int c = 0; c < 2048; ++c) {
    (std::abs(c - 48) < 12 ? zero_loss : rest) += columns[c];
  }
  EXPECT_GT(zero_loss, 1e5);
  EXPECT_LT(rest, 1e-3 * zero_loss);
  EXPECT_EQ(history.dose({0, 0}, 5 * kSecond), 0);  // the film was not there
}

TEST(View, ClosedShutterGivesDarkness) {
  const auto columns = expected(2500, 2501);
  EXPECT_EQ(std::accumulate(columns.begin(), columns.end(), 0.0), 0);
}

std::vector<std::uint16_t> frame(const Sensor& sensor, double begin_s, double exposure_s) {
  const auto columns = expected(begin_s, begin_s + exposure_s);
  Sensor::Workspace workspace;
  std::vector<std::uint16_t> out(static_cast<std::size_t>(sensor.camera().rows) * 2048);
  Random random = frame_random(view().seed(), static_cast<std::int64_t>(begin_s * 1e9), 0);
  sensor.render(columns, exposure_s, random, workspace, out);
  return out;
}

TEST(World, SameSeedLogAndTimeGiveTheSameFrameInAnyOrder) {
  const Sensor sensor(Camera{}, 11, 0);
  const auto a = frame(sensor, 5, 0.1);
  const auto b = frame(sensor, 6, 0.1);
  EXPECT_NE(a, b);
  EXPECT_EQ(frame(sensor, 6, 0.1), b);
  EXPECT_EQ(frame(sensor, 5, 0.1), a);
  EXPECT_EQ(frame(Sensor(Camera{}, 11, 0), 5, 0.1), a);
}

TEST(World, FrameSumsToTheElectronsSent) {
  Camera camera;
  camera.gain_pattern = 0;
  const Sensor sensor(camera, 11, 0);
  const auto lit = frame(sensor, 5, 0.1);
  const auto dark = frame(sensor, 3000, 0.1);
  const double counts =
      std::accumulate(lit.begin(), lit.end(), 0.0) - std::accumulate(dark.begin(), dark.end(), 0.0);
  const auto columns = expected(5, 5.1);
  const double electrons = std::accumulate(columns.begin(), columns.end(), 0.0);
  // Poisson with gain spread, plus read noise of two frames: 5 standard deviations.
  const double sigma = std::sqrt(electrons * 1.09 + 2 * 131072 * 9.3 / 100);
  EXPECT_NEAR(counts / camera.gain, electrons, 5 * sigma);
}

}  // namespace
}  // namespace creel::sim
