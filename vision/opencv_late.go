//go:build lateopencv

package vision

/*
#include <dlfcn.h>
#include <stdlib.h>

static const char *openLibrary(const char *name) {
	return dlopen(name, RTLD_LAZY | RTLD_GLOBAL) ? NULL : dlerror();
}
*/
import "C"

import (
	"fmt"
	"strings"
	"sync"
	"unsafe"
)

// openCVLibraries are the file names of OpenCV's libraries, blanks between them; the
// build fills them in (.ci/build.sh).
var openCVLibraries string

// openOpenCV opens OpenCV's libraries, once; nothing of gocv may be called before. The
// program is linked without them, so that commands which need no photo start in half
// the time, and every function is looked up as it is first called (dlopen(3), RTLD_LAZY).
var openOpenCV = sync.OnceValue(func() error {
	for _, library := range strings.Fields(openCVLibraries) {
		name := C.CString(library)
		problem := C.openLibrary(name)
		C.free(unsafe.Pointer(name))
		if problem != nil {
			return fmt.Errorf("OpenCV cannot be opened (%s): install it anew with .ci/setup.sh and build dartfall again with .ci/build.sh", C.GoString(problem))
		}
	}
	return nil
})
