// The energy axis of a detector from features of known energy, and the supply that moves it.
//
//   E(c) = first + d c + 4 bow (c - a)(b - c) / (b - a)^2      c in channels, 0 = lower edge of the
//                                                              first; a, b the outermost features
//
// The bow is how far the axis lies above the straight line at the middle between the outermost
// features; it needs three of them.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "daemon/calibration/edge_table.h"
#include "daemon/calibration/frames.h"
#include "daemon/spectra/series_calibration.h"
#include "protocol/base/result.h"

namespace creel::calibration {

using analysis::Measured;

/// Something whose energy is known, where it stands on the detector.
struct Feature {
  std::string name;  ///< "zero loss", "C K"
  double channel = 0, sigma_channel = 0;
  double energy_ev = 0, sigma_energy_ev = 0;
  std::string table;  ///< "" = needs none: the zero loss
};

struct EnergyAxis {
  Measured first_ev;       ///< energy of the lower edge of channel 0
  Measured dispersion_ev;  ///< per channel, positive
  Measured bow_ev;         ///< not given with two features
  double covariance = 0;   ///< of first_ev and dispersion_ev
  double chi2 = 0;
  std::size_t freedom = 0;
  std::string table;
  double from_channel = 0, to_channel = 0;  ///< the outermost features
  [[nodiscard]] double at(double channel) const;
};
/// Weighted least squares with both errors of each feature. refused: fewer than two features, or
/// all at one place. invalid_request: features from two edge tables.
Result<EnergyAxis> fit_axis(const std::vector<Feature>& features);

/// The zero loss and the edges that stand out in a session whose frames share one setting of the
/// axis. Zero loss: frames of kind zero_loss; edges: frames of kind specimen, which may be
/// saturated at the zero loss. `noise` K F of the detector (PhotonTransfer), for errors.
/// `nominal`: the axis as typed, to know where to look. refused: no zero loss, or frames of
/// different settings. Edges that do not stand out are left out; `missed` names them.
struct Features {
  std::vector<Feature> found;
  std::vector<std::string> missed;
  std::vector<std::uint64_t> sequence;  ///< of the frames
};
Result<Features> find_features(const Frames& frames, double noise, double nominal_dispersion_ev,
                               const std::vector<EdgeEnergy>& edges);

/// One frame's zero loss at one setting of the supply.
struct OffsetPoint {
  double set_ev = 0;
  double channel = 0;  ///< of the zero loss
  double time_s = 0;
};
struct OffsetSupply {
  Measured scale;         ///< eV moved on the axis for each eV set; 1 = as labelled
  Measured bend_ev;       ///< deviation from the straight line in the middle of the range
  double scatter_ev = 0;  ///< of one position, drift taken off: what one movement can be trusted to
  double drift_ev_per_h = 0;
};
/// channel d = constant + drift(t) - scale set - bend ...; the drift is a straight line and a bend
/// in time, which interleaved returns to the first setting tell from the supply. `d` is the
/// dispersion with its error. Errors by the points' own scatter. refused: fewer than 8 points, or
/// fewer than three different settings.
Result<OffsetSupply> offset_supply(const std::vector<OffsetPoint>& points,
                                   const Measured& dispersion_ev);
/// Zero-loss positions of all frames of kind zero_loss, in channels.
std::vector<OffsetPoint> offset_points(const Frames& frames);

}  // namespace creel::calibration
