// Several specimens on one holder, and vacuum between them.
#include <gtest/gtest.h>

#include <cmath>
#include <numeric>

#include "sim/world.h"

namespace creel::sim {
namespace {

constexpr std::int64_t kSecond = 1'000'000'000;

/// Ink until 500 um, an Fe(II) and an Fe(III) standard beyond, both hardy.
Laboratory holder() {
  Laboratory laboratory;
  laboratory.source.high_tension_drift_v = 0;
  Specimen two;
  two.fe3_fraction = {0, 0};
  two.critical_dose = {1e9, 1e9};
  two.t_over_lambda = {0.25, 0.25};
  two.mass_loss = 0;
  two.iron_per_nm2 = 1600;
  Specimen three = two;
  three.fe3_fraction = {1, 1};
  three.t_over_lambda = {0.4, 0.4};
  laboratory.mounted = {{"fe2-standard", 520, 560, two}, {"fe3-standard", 580, 620, three}};
  return laboratory;
}

const View& view() {
  static const View made(holder(), 11, 0.5);
  return made;
}

Event move_x(double t_s, double um) {
  return {static_cast<std::int64_t>(t_s * 1e9), Channel::stage_x,
          static_cast<std::int32_t>(std::lround(um / kStageStep_um))};
}

/// One second of beam at this stage position, after `before_s` seconds of it.
std::vector<double> spectrum_at(double x_um, double before_s = 0) {
  History history(view().laboratory().source, view().seed());
  EXPECT_TRUE(history.add(std::vector<Event>{
      move_x(0.5, x_um), {kSecond, Channel::beam, 1}, {100'000 * kSecond, Channel::beam, 0}}));
  std::vector<double> columns(2048);
  const auto begin = static_cast<std::int64_t>((1 + before_s) * 1e9);
  view().expected(history, begin, begin + kSecond, {}, columns);
  return columns;
}

double between(const std::vector<double>& columns, double from_eV, double to_eV) {
  double sum = 0;
  for (int c = static_cast<int>((from_eV + 24) / 0.5); c < (to_eV + 24) / 0.5; ++c) {
    sum += columns[static_cast<std::size_t>(c)];
  }
  return sum;
}

TEST(Mounted, TheStageDecidesWhatTheBeamGoesThrough) {
  const Laboratory& laboratory = view().laboratory();
  EXPECT_EQ(lying_at(laboratory, -300), 0u);
  EXPECT_EQ(lying_at(laboratory, 500), 0u);
  EXPECT_EQ(lying_at(laboratory, 510), std::nullopt);
  EXPECT_EQ(lying_at(laboratory, 520), 1u);
  EXPECT_EQ(lying_at(laboratory, 560), 1u);
  EXPECT_EQ(lying_at(laboratory, 570), std::nullopt);
  EXPECT_EQ(lying_at(laboratory, 600), 2u);
  EXPECT_EQ(lying_at(laboratory, 640), std::nullopt);
  EXPECT_EQ(specimen_name(laboratory, 0), "film");
  EXPECT_EQ(specimen_name(laboratory, 2), "fe3-standard");
}

TEST(Mounted, EachHasTheThicknessThatItsLogRatioShows) {
  // t/lambda = ln(It/I0) (Egerton 2011, sec. 5.1). The world's t/lambda is that of valence losses;
  // the inner shells of so much iron add their own probability, some hundredths.
  const auto log_ratio = [](double x_um) {
    const auto columns = spectrum_at(x_um);
    return std::log(between(columns, -24, 900) / between(columns, -3, 3));
  };
  const auto inner = [](std::size_t which, double thickness) {
    return -std::log(view().spectra(which).integral(Part::low_loss, -90, 1600)) - 0.15 * thickness;
  };
  EXPECT_NEAR(log_ratio(540), 0.25 + inner(1, 0.25), 0.01);
  EXPECT_NEAR(log_ratio(600), 0.40 + inner(2, 0.40), 0.01);
  EXPECT_LT(inner(2, 0.40), 0.05);
  const double film = view().truth().t_over_lambda;
  EXPECT_NEAR(log_ratio(0), film + inner(0, film), 0.015);
  EXPECT_NEAR(log_ratio(570), 0, 0.001);
}

TEST(Mounted, StandardsShowTheirOwnWhiteLinesAndSurviveTheBeam) {
  // Maxima of L3: P. A. van Aken, B. Liebscher, V. J. Styrsa, Phys. Chem. Minerals 25, 323 (1998).
  const auto maximum = [](const std::vector<double>& columns) {
    const auto first = columns.begin() + static_cast<int>((700 + 24) / 0.5);
    const auto at = std::max_element(first, first + 40);
    return (static_cast<double>(at - columns.begin()) + 0.5) * 0.5 - 24;
  };
  EXPECT_NEAR(maximum(spectrum_at(540)), 707.8, 0.5);
  EXPECT_NEAR(maximum(spectrum_at(600)), 709.5, 0.5);
  const auto fresh = spectrum_at(600);
  const auto old = spectrum_at(600, 50000);
  const double intact = between(old, 700, 730) / between(old, 600, 700) * between(fresh, 600, 700) /
                        between(fresh, 700, 730);
  EXPECT_NEAR(intact, 1, 1e-4);
}

TEST(Mounted, TheFilmIsWhatItIsWithoutTheStandards) {
  Laboratory alone = holder();
  alone.mounted.clear();
  const View without(alone, 11, 0.5);
  EXPECT_EQ(without.truth().fe3_fraction, view().truth().fe3_fraction);
  History history(alone.source, 11);
  ASSERT_TRUE(history.add(std::vector<Event>{{kSecond, Channel::beam, 1}}));
  std::vector<double> columns(2048);
  without.expected(history, kSecond, 2 * kSecond, {}, columns);
  EXPECT_EQ(columns, spectrum_at(0));
}

TEST(Mounted, TruthBelongsToTheNameNotToThePlaceInTheList) {
  Laboratory laboratory = holder();
  laboratory.mounted[0].specimen.fe3_fraction = {0, 1};
  laboratory.mounted[1].specimen.fe3_fraction = {0, 1};
  const double first = truth_of(laboratory, 1, 11).fe3_fraction;
  const double second = truth_of(laboratory, 2, 11).fe3_fraction;
  EXPECT_NE(first, second);
  EXPECT_NE(first, truth_of(laboratory, 1, 12).fe3_fraction);
  std::swap(laboratory.mounted[0], laboratory.mounted[1]);
  EXPECT_EQ(truth_of(laboratory, 2, 11).fe3_fraction, first);
}

TEST(Mounted, DoseOfOneIsNotThatOfAnother) {
  History history(view().laboratory().source, view().seed());
  ASSERT_TRUE(history.add(std::vector<Event>{move_x(0.5, 540),
                                             {kSecond, Channel::beam, 1},
                                             {2 * kSecond, Channel::beam, 0},
                                             move_x(3, 600)}));
  EXPECT_GT(history.dose({54000, 0}, 5 * kSecond), 0);
  EXPECT_EQ(history.dose({60000, 0}, 5 * kSecond), 0);
  EXPECT_EQ(history.dose({0, 0}, 5 * kSecond), 0);
}

// What a block of gain references does: stage in vacuum, beam on, spread evenly. Needs no setting
// of the energy axis, gives the specimens no dose, and all electrons arrive.
TEST(GainReference, VacuumAndEvenIlluminationGiveAllColumnsTheSame) {
  History history(view().laboratory().source, view().seed());
  ASSERT_TRUE(history.add(std::vector<Event>{
      move_x(0.5, 570), {kSecond, Channel::beam, 1}, {11 * kSecond, Channel::beam, 0}}));
  std::vector<double> even(2048);
  view().expected_even(history, kSecond, 11 * kSecond, even);
  const auto slices = history.slices(kSecond, 11 * kSecond);
  double electrons = 0;
  for (const Slice& slice : slices) {
    electrons += slice.electrons;
  }
  EXPECT_NEAR(std::accumulate(even.begin(), even.end(), 0.0), electrons, 1e-9 * electrons);
  EXPECT_EQ(*std::min_element(even.begin(), even.end()),
            *std::max_element(even.begin(), even.end()));
  EXPECT_EQ(history.dose({0, 0}, 20 * kSecond), 0);
  EXPECT_EQ(history.dose({54000, 0}, 20 * kSecond), 0);
  // In the dark nothing arrives.
  view().expected_even(history, 12 * kSecond, 13 * kSecond, even);
  EXPECT_EQ(std::accumulate(even.begin(), even.end(), 0.0), 0);
}

TEST(GainReference, ThroughASpecimenSomeElectronsAreMissing) {
  History history(view().laboratory().source, view().seed());
  ASSERT_TRUE(history.add(
      std::vector<Event>{{kSecond, Channel::beam, 1}, {2 * kSecond, Channel::beam, 0}}));
  std::vector<double> even(2048);
  view().expected_even(history, kSecond, 2 * kSecond, even);
  const double sent = history.slices(kSecond, 2 * kSecond).at(0).electrons;
  const double seen = std::accumulate(even.begin(), even.end(), 0.0);
  // exp(-0.15 t/lambda) stay within the aperture; every other loss is somewhere in the spectrum,
  // but for the second order of inner shells.
  EXPECT_NEAR(seen / sent, std::exp(-0.15 * view().truth().t_over_lambda), 0.002);
}

// Half a beam whose middle lies on an edge is on the film; far from all edges there is one thing
// and all of the beam on it.
TEST(Mounted, ABeamOnAnEdgeIsSharedByWhatItCovers) {
  Laboratory laboratory;
  for (const Profile profile : {Profile::gaussian, Profile::flat}) {
    laboratory.source.profile = profile;
    const auto middle = covered_at(laboratory, laboratory.specimen.film_until_um);
    ASSERT_EQ(middle.size(), 2U);
    EXPECT_EQ(middle[0].first, 0U);
    EXPECT_NEAR(middle[0].second, 0.5, 1e-12);
    EXPECT_EQ(middle[1].first, std::nullopt);
    EXPECT_NEAR(middle[1].second, 0.5, 1e-12);
    const auto inside = covered_at(laboratory, 0);
    ASSERT_EQ(inside.size(), 1U);
    EXPECT_EQ(inside[0].second, 1.0);
    // A flat disc moved by half its radius: 1/2 + (u sqrt(1 - u^2) + asin u)/pi at u = 1/2.
    if (profile == Profile::flat) {
      laboratory.source.beam_fwhm_nm = 2000;
      const auto moved = covered_at(laboratory, laboratory.specimen.film_until_um - 0.5);
      EXPECT_NEAR(moved[0].second, 0.80450, 1e-5);
    }
  }
}

}  // namespace
}  // namespace creel::sim
