#include "sim/fourier.h"

#include <utility>

#include "protocol/physics/constants.h"

namespace creel::sim {

void fourier_transform(std::vector<std::complex<double>>& values, bool inverse) {
  const std::size_t size = values.size();
  for (std::size_t i = 1, reversed = 0; i < size; ++i) {
    std::size_t bit = size >> 1;
    for (; (reversed & bit) != 0; bit >>= 1) {
      reversed ^= bit;
    }
    reversed ^= bit;
    if (i < reversed) {
      std::swap(values[i], values[reversed]);
    }
  }
  const double sign = inverse ? 2.0 * physics::kPi : -2.0 * physics::kPi;
  std::vector<std::complex<double>> roots(size / 2);
  for (std::size_t k = 0; k < size / 2; ++k) {
    roots[k] = std::polar(1.0, sign * static_cast<double>(k) / static_cast<double>(size));
  }
  for (std::size_t length = 2; length <= size; length *= 2) {
    const std::size_t stride = size / length;
    for (std::size_t first = 0; first < size; first += length) {
      for (std::size_t k = 0; k < length / 2; ++k) {
        const std::complex<double> low = values[first + k];
        const std::complex<double> high = values[first + k + length / 2] * roots[k * stride];
        values[first + k] = low + high;
        values[first + k + length / 2] = low - high;
      }
    }
  }
  if (inverse) {
    for (std::complex<double>& value : values) {
      value /= static_cast<double>(size);
    }
  }
}

}  // namespace creel::sim
