// A two-dimensional detector of electrons: from mean electrons per column to the counts of a frame.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "sim/random.h"

namespace creel::sim {

struct Camera {
  std::uint32_t rows = 64;  ///< 1 = a spectrum
  std::uint32_t columns = 2048;
  double gain = 10;          ///< counts per electron
  double gain_spread = 0.3;  ///< one standard deviation of a single electron's counts, relative
  double read_noise = 3;     ///< counts, one standard deviation
  double dark_counts_per_s =
      2;                       ///< per pixel; one count per dark charge, so its shot noise is known
  double offset = 200;         ///< counts
  double offset_pattern = 4;   ///< counts, one standard deviation from pixel to pixel, fixed
  double gain_pattern = 0.01;  ///< relative, likewise
  double point_spread = 0.10;  ///< part of the signal in the neighbour on each side, 0..0.3
  double saturation = 65535;   ///< counts
  double spikes_per_s = 0;     ///< X rays and cosmic rays that hit the sensor, whole frame
  double spike_counts = 8000;
  double stripe_fwhm_rows = 24;  ///< height of the spectrum on the sensor
  bool counting = false;         ///< every electron is one count; no gain, noise, dark or offset
};

/// How the electrons of a column lie on its rows.
enum class Illumination : std::uint8_t {
  spectrum,  ///< a stripe of Camera::stripe_fwhm_rows across the middle
  even,      ///< the same everywhere: for gain references
};

/// Not modelled: afterglow, non-linearity below saturation, coincidence loss when counting, the
/// skewness of dark shot noise (it is drawn as normal; mean and variance are exact).
class Sensor {
 public:
  /// The fixed pattern follows from seed and `which` (so that two detectors differ).
  Sensor(const Camera& camera, std::uint64_t seed, std::uint64_t which);

  /// Buffers for render, so that a frame allocates nothing. One for each thread.
  struct Workspace {
    std::vector<float> charge, spread, noise;
  };
  /// Draws one frame, row by row, into `out` (rows * columns).
  /// @param electrons   mean electrons that reach each column in this exposure (columns).
  /// @param exposure_s  sets dark counts and spikes.
  /// @param illumination  of the rows; for an even sensor give the same electrons to all columns.
  /// @return true when some pixel is saturated.
  bool render(std::span<const double> electrons, double exposure_s, Random& random,
              Workspace& workspace, std::span<std::uint16_t> out,
              Illumination illumination = Illumination::spectrum) const;
  /// The electrons on each pixel of a counting sensor, which never gets full: what render() gives
  /// for the same random numbers, without its limit.
  void count(std::span<const double> electrons, Random& random, std::span<std::uint32_t> out,
             Illumination illumination) const;
  [[nodiscard]] const Camera& camera() const { return camera_; }

 private:
  struct Rows {
    std::vector<double> share;    // of a column's electrons, sums to 1
    std::vector<double> running;  // its running sum
  };
  static Rows make_rows(std::vector<double> weights);
  template <class Pixel>
  void draw_electrons(std::span<const double> electrons, const Rows& rows, Random& random,
                      std::span<Pixel> pixels) const;
  void amplify(Random& random, std::span<float> charge) const;
  void blur(Workspace& workspace) const;
  void add_spikes(double exposure_s, Random& random, std::span<float> charge) const;

  Camera camera_;
  Rows stripe_, even_;
  std::vector<float> offset_, gain_;  // fixed pattern, per pixel
};

}  // namespace creel::sim
