/* A disk that fails when told to. Stands between a process and the C library (LD_PRELOAD): counts every call that puts
 * something on disk, and lets the n-th fail, alone or with all after it. What goes to no regular file, and to the first
 * three descriptors, is left alone. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

static long count = 0, fail_at = -1, failed = 0;
static int code = EIO, once = 0, noting = -1;
static char first[400] = ""; /* the file of the first call that failed */

void faulty_disk_arm(long at, int with, int only_once) { count = failed = 0; first[0] = 0; fail_at = at; code = with; once = only_once; }
void faulty_disk_note(int fd) { noting = fd; }
long faulty_disk_count(void) { return count; }
long faulty_disk_failed(void) { return failed; }
const char *faulty_disk_failed_at(void) { return first; }

static void name_of(int fd, const char *name, char *path, size_t size) {
  char link[64];
  path[0] = 0;
  if (name) snprintf(path, size, "%s", name);
  else if (snprintf(link, sizeof link, "/proc/self/fd/%d", fd) > 0) {
    ssize_t n = readlink(link, path, size - 1);
    path[n > 0 ? n : 0] = 0;
  }
}

static void note(const char *call, int fd, const char *name) {
  char path[400], text[512];
  if (noting < 0) return;
  name_of(fd, name, path, sizeof path);
  int n = snprintf(text, sizeof text, "%s\t%s\n", call, path);
  ssize_t (*real)(int, const void *, size_t) = dlsym(RTLD_NEXT, "write");
  if (n > 0 && real(noting, text, (size_t)n) < 0) noting = -1;
}

static int due(const char *call, int fd, const char *name) {
  struct stat s;
  if (!name && (fd <= 2 || fd == noting || fstat(fd, &s) || !(S_ISREG(s.st_mode) || S_ISDIR(s.st_mode)))) return 0;
  long mine = __sync_fetch_and_add(&count, 1);
  note(call, fd, name);
  if (fail_at < 0 || mine < fail_at || (once && mine > fail_at)) return 0;
  if (__sync_fetch_and_add(&failed, 1) == 0) name_of(fd, name, first, sizeof first);
  errno = code;
  return 1;
}

#define PASS(result, call, parameters, fd, name, arguments)                           \
  result call parameters {                                                            \
    static result(*real) parameters;                                                  \
    if (!real) real = (result(*) parameters)dlsym(RTLD_NEXT, #call);                  \
    return due(#call, fd, name) ? -1 : real arguments;                                \
  }

PASS(ssize_t, write, (int fd, const void *b, size_t n), fd, NULL, (fd, b, n))
PASS(ssize_t, pwrite, (int fd, const void *b, size_t n, off_t o), fd, NULL, (fd, b, n, o))
PASS(ssize_t, pwrite64, (int fd, const void *b, size_t n, off_t o), fd, NULL, (fd, b, n, o))
PASS(ssize_t, writev, (int fd, const struct iovec *v, int n), fd, NULL, (fd, v, n))
PASS(ssize_t, pwritev, (int fd, const struct iovec *v, int n, off_t o), fd, NULL, (fd, v, n, o))
PASS(ssize_t, sendfile, (int fd, int from, off_t *o, size_t n), fd, NULL, (fd, from, o, n))
PASS(ssize_t, sendfile64, (int fd, int from, off_t *o, size_t n), fd, NULL, (fd, from, o, n))
PASS(ssize_t, copy_file_range, (int from, off_t *i, int fd, off_t *o, size_t n, unsigned f), fd, NULL, (from, i, fd, o, n, f))
PASS(int, fsync, (int fd), fd, NULL, (fd))
PASS(int, fdatasync, (int fd), fd, NULL, (fd))
PASS(int, ftruncate, (int fd, off_t n), fd, NULL, (fd, n))
PASS(int, ftruncate64, (int fd, off_t n), fd, NULL, (fd, n))
PASS(int, rename, (const char *a, const char *b), -1, b, (a, b))
PASS(int, renameat, (int d, const char *a, int e, const char *b), -1, b, (d, a, e, b))
PASS(int, link, (const char *a, const char *b), -1, b, (a, b))
PASS(int, mkdir, (const char *a, mode_t m), -1, a, (a, m))

/* posix_fallocate and its like give the code back in place of errno */
int posix_fallocate(int fd, off_t o, off_t n) {
  static int (*real)(int, off_t, off_t);
  if (!real) real = (int (*)(int, off_t, off_t))dlsym(RTLD_NEXT, "posix_fallocate");
  return due("posix_fallocate", fd, NULL) ? code : real(fd, o, n);
}
