// Whether a change was refused must not be dropped.
#include <fifthwheel/settings.hpp>

inline constexpr fifthwheel::Setting table[] = {{1, "slip_target", "1", 0.0F, 0.3F, 0.12F}};

int main() {
    fifthwheel::Settings<table> settings(0);
    settings.change(1, 9.0F, 0U, fifthwheel::SettingSource::link);
    return 0;
}
