#include "sim/fourier.h"

#include <algorithm>
#include <utility>

#include "protocol/physics/constants.h"

namespace creel::sim {
namespace {

using Complex = std::complex<double>;

/// The product, without the standard's care for infinities, which takes most of the time.
Complex times(Complex a, Complex b) {
  return {a.real() * b.real() - a.imag() * b.imag(), a.real() * b.imag() + a.imag() * b.real()};
}

void reverse_bits(std::vector<Complex>& values) {
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
}

}  // namespace

FourierTransform::FourierTransform(std::size_t size) : roots_(size) {
  for (std::size_t half = 1; half < size; half *= 2) {
    for (std::size_t k = 0; k < half; ++k) {
      roots_[half + k] =
          std::polar(1.0, -physics::kPi * static_cast<double>(k) / static_cast<double>(half));
    }
  }
}

void FourierTransform::forward(std::vector<Complex>& values) const {
  reverse_bits(values);
  const std::size_t size = values.size();
  for (std::size_t half = 1; half < size; half *= 2) {
    const Complex* roots = roots_.data() + half;
    for (std::size_t first = 0; first < size; first += 2 * half) {
      Complex* low = values.data() + first;
      Complex* high = low + half;
      for (std::size_t k = 0; k < half; ++k) {
        const Complex turned = times(high[k], roots[k]);
        high[k] = low[k] - turned;
        low[k] += turned;
      }
    }
  }
}

void FourierTransform::inverse(std::vector<Complex>& values) const {
  forward(values);
  const double scale = 1.0 / static_cast<double>(values.size());
  for (Complex& value : values) {
    value *= scale;
  }
  // The other sign of the exponent runs through the frequencies backwards.
  std::reverse(values.begin() + 1, values.end());
}

}  // namespace creel::sim
