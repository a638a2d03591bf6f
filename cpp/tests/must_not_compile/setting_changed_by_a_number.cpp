// Who changes a setting is no number.
#include <fifthwheel/settings.hpp>

inline constexpr fifthwheel::Setting table[] = {{1, "slip_target", "1", 0.0F, 0.3F, 0.12F}};

int main() {
    fifthwheel::Settings<table> settings(0);
    return settings.change(1, 0.1F, 0U, 0) == fifthwheel::Status::ok ? 0 : 1;
}
