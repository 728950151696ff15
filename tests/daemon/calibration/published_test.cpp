// The calibrations against published tables, standards and closed forms; the source stands beside
// each.
#include <gtest/gtest.h>
#include <xraylib/xraylib.h>

#include <cmath>
#include <random>

#include "daemon/calibration/beam.h"
#include "daemon/calibration/edge_table.h"
#include "daemon/calibration/emission.h"
#include "daemon/calibration/energy_axis.h"
#include "daemon/calibration/pixel_noise.h"
#include "daemon/spectra/edges.h"
#include "protocol/physics/constants.h"

namespace creel::calibration {
namespace {

// xraylib 4.0 itself (Debian's libxrl, T. Schoonjans et al., Spectrochim. Acta B 66, 776 (2011)).
TEST(EdgeTables, OneIsXraylibs) {
  struct Case {
    const char* edge;
    int z, shell;
  };
  for (const Case& one :
       {Case{"C K", 6, K_SHELL}, Case{"N K", 7, K_SHELL}, Case{"O K", 8, K_SHELL},
        Case{"Cr L3", 24, L3_SHELL}, Case{"Mn L3", 25, L3_SHELL}, Case{"Fe L3", 26, L3_SHELL},
        Case{"Co L3", 27, L3_SHELL}, Case{"Ni L3", 28, L3_SHELL}, Case{"Cu L3", 29, L3_SHELL}}) {
    const auto ours = edge_energy(kXraylib, one.edge, 0);
    ASSERT_TRUE(ours.ok());
    EXPECT_NEAR(ours->ev, 1000 * ::EdgeEnergy(one.z, one.shell, nullptr), 0.051) << one.edge;
  }
}

// X-Ray Data Booklet, LBNL/PUB-490, 3rd ed. 2009, table 1-1, as daemon/analysis has it.
TEST(EdgeTables, TheOtherIsTheDataBooklets) {
  for (const char* element : {"C", "N", "O", "Cr", "Mn", "Fe", "Co", "Ni", "Cu"}) {
    const auto edge = analysis::main_edge(element);
    ASSERT_TRUE(edge);
    const auto ours = edge_energy(kXrayDataBooklet, edge->name(), 0);
    ASSERT_TRUE(ours.ok());
    EXPECT_EQ(ours->ev, edge->onset_ev) << element;
  }
}

// Iron L3 is at 708.1 eV in the one and at 706.8 eV in the other: nothing may set one against the
// other, neither a difference nor an axis.
TEST(EdgeTables, CannotBeMixed) {
  const auto a = edge_energy(kXraylib, "Fe L3", 0);
  const auto b = edge_energy(kXrayDataBooklet, "Fe L3", 0);
  ASSERT_TRUE(a.ok() && b.ok());
  EXPECT_NEAR(a->ev - b->ev, 1.3, 1e-9);
  const auto difference = difference_ev(*a, *b);
  ASSERT_FALSE(difference.ok());
  EXPECT_EQ(difference.error().code, ErrorCode::invalid_request);
  EXPECT_NE(difference.error().text.find("xraylib"), std::string::npos);
  EXPECT_NE(difference.error().text.find("Booklet"), std::string::npos);
  const auto axis = fit_axis({{"zero loss", 48, 0.01, 0, 0, ""},
                              {"C K", 615.6, 0.1, 283.8, 0.5, std::string(kXraylib)},
                              {"Fe L3", 1461, 0.1, 706.8, 0.5, std::string(kXrayDataBooklet)}});
  ASSERT_FALSE(axis.ok());
  EXPECT_EQ(axis.error().code, ErrorCode::invalid_request);
}

// Worked by hand: zero loss at channel 48, C K at 616, O K at 1112 of an axis of 0.5 eV from -24
// eV.
TEST(EnergyAxis, ThreePointsOnAStraightLineGiveThatLine) {
  const auto axis = fit_axis({{"zero loss", 48, 0.01, 0, 0, ""},
                              {"C K", 616, 0.01, 284, 0.1, "t"},
                              {"O K", 1112, 0.01, 532, 0.1, "t"}});
  ASSERT_TRUE(axis.ok());
  EXPECT_NEAR(axis->first_ev.value, -24, 1e-9);
  EXPECT_NEAR(axis->dispersion_ev.value, 0.5, 1e-12);
  EXPECT_NEAR(axis->bow_ev.value, 0, 1e-9);
  EXPECT_NEAR(axis->at(616), 284, 1e-9);
  // Two points: sigma of the dispersion is that of the difference over the distance.
  const auto two = fit_axis({{"zero loss", 48, 0, 0, 0.03, ""}, {"O K", 1112, 0, 532, 0.04, "t"}});
  ASSERT_TRUE(two.ok());
  EXPECT_NEAR(two->dispersion_ev.sigma, 0.05 / 1064, 1e-9);
  EXPECT_FALSE(two->bow_ev.given());
  EXPECT_FALSE(fit_axis({{"zero loss", 48, 0.01, 0, 0, ""}}).ok());
}

// EMVA Standard 1288, Release 4.0, eq. 11: sigma_y^2 = sigma_dark^2 + K (mu_y - mu_dark) for
// Poisson light, here without any point spread or excess noise, drawn by another generator than the
// simulated world's.
TEST(PhotonTransfer, IsTheLineOfEmva1288) {
  std::mt19937_64 random(1288);
  const session::FrameShape shape{16, 128, session::Pixel::f32};
  NoiseCollector noise(shape);
  constexpr double kK = 2.5;
  constexpr double kRead = 6;
  std::normal_distribution<double> read(100, kRead);
  for (const double mean : {30.0, 300.0, 3000.0}) {
    std::poisson_distribution<int> light(mean);
    for (int i = 0; i < 40; ++i) {
      std::vector<float> frame;
      for (int pixel = 0; pixel < 16 * 128; ++pixel) {
        frame.push_back(static_cast<float>((i < 20 ? kK * light(random) : 0) + read(random)));
      }
      analysis::FrameInfo info;
      info.kind = i < 20 ? ExposureKind::gain : ExposureKind::dark;
      info.exposure_set_ns = static_cast<std::int64_t>(mean);
      ASSERT_TRUE(noise.add(info, std::as_bytes(std::span(frame))).ok());
    }
  }
  const auto found = photon_transfer(noise);
  ASSERT_TRUE(found.ok()) << found.error().text;
  EXPECT_NEAR(found->counts_per_electron.value, kK, 3.5 * found->counts_per_electron.sigma);
  EXPECT_LT(found->counts_per_electron.sigma, 0.05 * kK);
  EXPECT_NEAR(found->noise.value, kRead, 3.5 * found->noise.sigma);
  ASSERT_EQ(found->levels.size(), 3U);
  for (const auto& level : found->levels) {
    EXPECT_NEAR(level.variance, kK * level.mean, 4 * level.sigma_variance);
  }
  const auto spread = point_spread(noise);
  ASSERT_TRUE(spread.ok());
  EXPECT_NEAR(spread->neighbour.value, 0, 0.01);
}

// SI Brochure, 9th ed. 2019: e = 1.602 176 634e-19 C exactly, so 1 pA is 6 241 509 electrons a
// second.
TEST(DoseRate, APicoampereIsSixMillionElectrons) {
  EXPECT_NEAR(electrons_of_current(1, 0.1).value, 6241509.074, 0.001);
  EXPECT_NEAR(electrons_of_current(1, 0.1).sigma, 624150.907, 0.001);
}

// The dose averaged over a Gaussian beam, closed form against the integral itself (midpoint rule in
// the radius): what an electron meets, int rho^2 dA / int rho dA = 1/(4 pi s^2); what lies within a
// diameter, 1 - exp(-d^2/(8 s^2)).
TEST(BeamProfile, ClosedFormsAreTheIntegrals) {
  const LitArea area{true, 2000, 0};
  const double s = 20000 / (2 * std::sqrt(2 * std::log(2.0)));  // angstrom
  double meets = 0;
  double within = 0;
  double all = 0;
  constexpr int kSteps = 200000;
  for (int i = 0; i < kSteps; ++i) {
    const double step = 8 * s / kSteps;
    const double r = (i + 0.5) * step;
    const double density = std::exp(-0.5 * r * r / (s * s)) / (2 * physics::kPi * s * s);
    const double ring = 2 * physics::kPi * r * step;
    all += density * ring;
    meets += density * density * ring;
    within += r < 7500 ? density * ring : 0;
  }
  EXPECT_NEAR(all, 1, 1e-9);
  EXPECT_NEAR(mean_dose_per_electron(area) / meets, 1, 1e-8);
  EXPECT_NEAR(share_within(area, 1500), within, 2e-5);
  EXPECT_NEAR(peak_dose_per_electron(area) / mean_dose_per_electron(area), 2, 1e-12);
  // Half of the electrons of a Gaussian beam lie within its full width at half maximum.
  EXPECT_NEAR(share_within(area, 2000), 0.5, 1e-12);
  const LitArea flat{false, 2000, 0};
  EXPECT_NEAR(peak_dose_per_electron(flat) * physics::kPi * 1e8, 1, 1e-12);
  EXPECT_EQ(share_within(flat, 3000), 1);
}

// Multi-photon emission: I ~ W^n (M. Goeppert-Mayer, Ann. Phys. (Leipzig) 401, 273 (1931)); without
// noise the slope is n itself.
TEST(Emission, IsAPowerOfThePulseEnergy) {
  for (const double n : {1.0, 2.0, 3.0, 4.0}) {
    std::vector<EmissionPoint> points;
    for (const double power : {8.0, 20.0, 12.0, 15.0, 10.0, 9.0, 18.0, 11.0}) {
      points.push_back({power, 3e5 * std::pow(power, n), 7.0 * static_cast<double>(points.size())});
    }
    const auto law = emission_law(points);
    ASSERT_TRUE(law.ok());
    EXPECT_NEAR(law->order.value, n, 1e-9);
  }
  const std::vector<EmissionPoint> steady(8, {20, 1e6, 0});
  EXPECT_FALSE(emission_law(steady).ok());
}

}  // namespace
}  // namespace creel::calibration
