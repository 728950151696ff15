#include "drivers/genicam/camera.h"

#include <cstdio>

namespace creel::genicam {
namespace {

/// Aravis' id of the camera that fits, or the list of what is there as an error. Asks the network:
/// a second.
std::string find(const Wanted& wanted) {
  arv_update_device_list();
  const auto text = [](const char* value) { return std::string(value == nullptr ? "" : value); };
  std::string found;
  for (unsigned i = 0; i < arv_get_n_devices(); ++i) {
    const std::string id = text(arv_get_device_id(i));
    const std::string address = text(arv_get_device_address(i));
    // DeviceID is the older name of the serial number.
    const std::string serial = text(arv_get_device_serial_nbr(i));
    if ((wanted.camera.empty() || wanted.camera == id || wanted.camera == address) &&
        (wanted.serial.empty() || wanted.serial == serial)) {
      return id;
    }
    found += (found.empty() ? "" : "; ") + id + " at " + address + " with serial " + serial;
  }
  throw kit::Failure(
      CREEL_E_DEVICE_LOST,
      "no such camera: looked for " + (wanted.camera.empty() ? "any camera" : wanted.camera) +
          (wanted.serial.empty() ? "" : " with serial " + wanted.serial) + "; found " +
          (found.empty() ? "none at all: is it on, on this network, and used by no one else?"
                         : found));
}

void on_control_lost(ArvDevice*, gpointer lost) {
  *static_cast<std::atomic<bool>*>(lost) = true;
}

}  // namespace

Camera::Camera(const Wanted& wanted) {
  arv_enable_interface(wanted.usb ? "USB3Vision" : "GigEVision");
  arv_disable_interface(wanted.usb ? "GigEVision" : "USB3Vision");
  // A camera named by its address can be opened without asking the whole network.
  const bool named = !wanted.camera.empty() && wanted.serial.empty();
  const std::string id = named ? wanted.camera : find(wanted);
  camera_.reset(ask("opening camera " + id,
                    [&](GError** error) { return arv_camera_new(id.c_str(), error); }));
  if (!camera_) {
    throw kit::Failure(CREEL_E_DEVICE_LOST, "camera " + id + " does not open");
  }
  g_signal_connect(arv_camera_get_device(get()), "control-lost", G_CALLBACK(on_control_lost),
                   &lost_);
  if (!wanted.usb) {
    check_interface(wanted);
    set_up_packets(wanted);
  }
}

Camera::~Camera() {
  if (camera_) {
    g_signal_handlers_disconnect_by_data(arv_camera_get_device(get()), &lost_);
  }
  camera_.reset();
  arv_shutdown();
}

void Camera::check(const std::string& what, GError* error) const {
  if (error == nullptr) {
    return;
  }
  const std::string sentence = what + ": " + error->message;
  const bool from_device = error->domain == ARV_DEVICE_ERROR;
  const int code = error->code;
  g_error_free(error);
  if (lost_ || (from_device &&
                (code == ARV_DEVICE_ERROR_NOT_CONNECTED || code == ARV_DEVICE_ERROR_NOT_FOUND))) {
    throw kit::Failure(CREEL_E_DEVICE_LOST, sentence);
  }
  throw kit::Failure(
      from_device && code == ARV_DEVICE_ERROR_TIMEOUT ? CREEL_E_TIMEOUT : CREEL_E_REFUSED,
      sentence);
}

/// A laboratory PC has several networks; a camera reached over the wrong one would lose packets all
/// night.
void Camera::check_interface(const Wanted& wanted) {
  if (wanted.interface_address.empty()) {
    return;
  }
  GSocketAddress* local =
      arv_gv_device_get_interface_address(ARV_GV_DEVICE(arv_camera_get_device(get())));
  char* text =
      g_inet_address_to_string(g_inet_socket_address_get_address(G_INET_SOCKET_ADDRESS(local)));
  const std::string address = text;
  g_free(text);
  if (address != wanted.interface_address) {
    throw kit::Failure(CREEL_E_INVALID,
                       "config field interface_address: the camera is reached over " + address +
                           ", not over " + wanted.interface_address);
  }
}

void Camera::set_up_packets(const Wanted& wanted) {
  if (wanted.packet_size > 0) {
    ask("packet_size", [&](GError** error) {
      arv_camera_gv_set_packet_size(get(), static_cast<gint>(wanted.packet_size), error);
    });
  }
  if (wanted.packet_delay_ns >= 0) {
    ask("packet_delay_ns", [&](GError** error) {
      arv_camera_gv_set_packet_delay(get(), wanted.packet_delay_ns, error);
    });
  }
}

bool Camera::has(const char* feature) {
  return ask(feature, [&](GError** error) {
           return arv_camera_is_feature_available(get(), feature, error);
         }) != FALSE;
}

std::string Camera::text(const char* feature, const std::string& otherwise) {
  if (!has(feature)) {
    return otherwise;
  }
  const char* value =
      ask(feature, [&](GError** error) { return arv_camera_get_string(get(), feature, error); });
  return value == nullptr || *value == '\0' ? otherwise : value;
}

std::string Camera::pixel_format() {
  return text("PixelFormat", "unknown");
}

nlohmann::json Camera::identity() {
  // DeviceID is the older name of the serial number.
  const std::string serial = text("DeviceSerialNumber", text("DeviceID", "unknown"));
  return {{"maker", text("DeviceVendorName", "unknown")},
          {"model", text("DeviceModelName", "unknown")},
          {"serial", serial},
          {"firmware", text("DeviceFirmwareVersion", text("DeviceVersion", "unknown"))}};
}

}  // namespace creel::genicam
